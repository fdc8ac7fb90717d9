//! A comparison in sentences: what somebody would read out.
//!
//! Does not know: where the sentences go.

use crate::compare::{
    Band, COHERENT, ChromaResponse, Comparison, Fall, Interval, Pair, Pictures, RankedPair,
    Relations, Row, Verdict,
};

/// Events of one kind, or criteria, that are named in a sentence.
const NAMED: usize = 3;

/// Decibels of half the power, and from which on detail counts as lifted: 12 % more amplitude show as edges drawn after.
const HALF_POWER: f64 = -3.0;
const LIFTED: f64 = 1.0;

/// `A`, `B`.
pub(in crate::views) fn letter(found: &Comparison, place: usize) -> char {
    found.passes[place].letter
}

/// A number with a sign and so many decimals; no "−0".
pub(in crate::views) fn signed(value: f64, decimals: usize) -> String {
    let text = format!("{:.*}", decimals, value.abs());
    let is_zero = text.bytes().all(|byte| matches!(byte, b'0' | b'.'));
    match (is_zero, value < 0.0) {
        (true, _) => text,
        (false, true) => format!("−{text}"),
        (false, false) => format!("+{text}"),
    }
}

/// `+5.0 (+4.8 … +5.2)`.
pub(in crate::views) fn interval(interval: &Interval, decimals: usize) -> String {
    let [value, low, high] =
        [interval.value, interval.low, interval.high].map(|one| signed(one, decimals));
    format!("{value} ({low} … {high})")
}

/// `0.37 (0.35 … 0.39)`, of what is never negative.
fn range(interval: &Interval, decimals: usize) -> String {
    let [value, low, high] = [interval.value, interval.low, interval.high]
        .map(|one| format!("{:.decimals$}", one.max(0.0)));
    format!("{value} ({low} … {high})")
}

/// `1:02:45`.
pub(in crate::views) fn clock(seconds: f64) -> String {
    let whole = seconds.max(0.0).round() as u64;
    format!("{}:{:02}:{:02}", whole / 3600, whole / 60 % 60, whole % 60)
}

/// How the second of two passes stands in a row.
pub(in crate::views) fn verdict(pair: &Pair) -> String {
    match (&pair.why_none, pair.minutes_more) {
        (Some(why), _) => format!("cannot be told: {why}"),
        (None, Some(minutes)) => format!("cannot be told (about {} more)", wait(minutes)),
        (None, None) => pair.verdict.words().to_owned(),
    }
}

/// Minutes as somebody would say them.
pub(in crate::views) fn wait(minutes: f64) -> String {
    match minutes.ceil() as u64 {
        0 | 1 => "a minute".to_owned(),
        minutes if minutes < 120 => format!("{minutes} minutes"),
        minutes => format!("{} hours", minutes.div_ceil(60)),
    }
}

/// Where a pass lies on the first, and what could not be aligned.
pub(in crate::views) fn place(found: &Comparison, at: usize) -> String {
    let pass = &found.passes[at];
    let period = found.field_seconds;
    let (letter, first) = (pass.letter, found.passes[0].letter);
    let begins = match pass.pieces.first() {
        Some(piece) if piece.offset == 0 => format!("{letter} begins where {first} does"),
        Some(piece) => {
            let (word, fields) = if piece.offset > 0 {
                ("after", piece.offset)
            } else {
                ("before", -piece.offset)
            };
            let seconds = fields as f64 * period;
            format!("{letter} begins {fields} fields ({seconds:.2} s) {word} {first}")
        }
        None => format!("{letter} shares nothing with {first}"),
    };
    let mut said = vec![begins];
    for loss in pass.losses.iter().take(NAMED) {
        let (who, fields) = if loss.fields > 0 {
            (letter, loss.fields)
        } else {
            (first, -loss.fields)
        };
        said.push(format!(
            "{who} lacks {fields} fields at {}",
            clock(loss.field as f64 * period)
        ));
    }
    if pass.losses.len() > NAMED {
        said.push(format!("{} more losses", pass.losses.len() - NAMED));
    }
    let left = pass.programme_seconds - pass.aligned_seconds;
    if left > 0.5 {
        said.push(format!(
            "{} of its programme could not be aligned and is left out",
            clock(left)
        ));
    }
    said.join("; ") + "."
}

/// Frequency in MHz, response in dB and coherence of each band.
pub(in crate::views) fn bands(bands: &[Band], decimals: usize) -> Vec<[String; 3]> {
    let band = |band: &Band| {
        let decibels = band.decibels.as_ref();
        [
            format!("{:.decimals$}", band.megahertz),
            decibels.map_or_else(|| "–".to_owned(), |value| interval(value, 1)),
            format!("{:.2}", band.coherence),
        ]
    };
    bands.iter().map(band).collect()
}

/// Where colour has fallen and how late it comes: what, how much, unit.
pub(in crate::views) fn colour_rows(chroma: &ChromaResponse) -> Vec<[String; 3]> {
    let fall = |fall: &Fall| {
        let at = match (&fall.megahertz, fall.at_least_megahertz) {
            (Some(megahertz), _) => range(megahertz, 2),
            (None, Some(least)) => format!("at least {least:.2}"),
            (None, None) => "–".to_owned(),
        };
        [
            format!("colour is down by {:.0} dB at", fall.decibels),
            at,
            "MHz".to_owned(),
        ]
    };
    let late = chroma.late_ns.as_ref();
    let mut rows: Vec<[String; 3]> = chroma.falls.iter().map(fall).collect();
    rows.push([
        "colour comes later than luma by".to_owned(),
        late.map_or_else(|| "–".to_owned(), |late| interval(late, 0)),
        "ns".to_owned(),
    ]);
    rows
}

/// What became of colour across a line: one sentence; empty where nothing can be told.
pub(in crate::views) fn colour(found: &Comparison, pictures: &Pictures) -> String {
    let (letter, first) = (letter(found, pictures.pass), letter(found, 0));
    let Some(chroma) = &pictures.chroma else {
        return String::new();
    };
    let mut parts = Vec::new();
    let fallen = chroma.falls.iter().find_map(|fall| {
        let at = fall.megahertz?;
        Some(format!(
            "colour is down by {:.0} dB at {:.2} MHz",
            fall.decibels, at.value
        ))
    });
    parts.extend(fallen);
    if let Some(late) = chroma.late_ns.as_ref().filter(|late| is_sure(late)) {
        let word = if late.value > 0.0 { "later" } else { "earlier" };
        parts.push(format!(
            "colour comes {:.0} ns {word} beside luma",
            late.value.abs()
        ));
    }
    if parts.is_empty() {
        format!("Colour of {letter} is as sharp as that of {first}, in the same place.")
    } else {
        format!("In {letter} against {first}: {}.", parts.join(", "))
    }
}

/// Noise of both plays: what, how much, unit.
pub(in crate::views) fn noise_rows(found: &Comparison, pictures: &Pictures) -> Vec<[String; 3]> {
    let (letter, first) = (letter(found, pictures.pass), letter(found, 0));
    let Some(noise) = &pictures.noise else {
        return Vec::new();
    };
    let row = |name: String, told: &Option<Interval>, decimals: usize, unit: &str| {
        let told = told.as_ref();
        [
            name,
            told.map_or_else(|| "–".to_owned(), |told| range(told, decimals)),
            unit.to_owned(),
        ]
    };
    vec![
        row(
            format!("noise of both, as {first} shows it"),
            &noise.shared_ire,
            2,
            "IRE rms",
        ),
        row(
            format!("noise of {first} alone"),
            &noise.first_own_ire,
            2,
            "IRE rms",
        ),
        row(
            format!("noise of {letter} alone"),
            &noise.second_own_ire,
            2,
            "IRE rms",
        ),
        row(
            format!("of the noise of {first} also in {letter}"),
            &noise.shared_of_first_pct,
            0,
            "%",
        ),
        row(
            format!("of the noise of {letter} also in {first}"),
            &noise.shared_of_second_pct,
            0,
            "%",
        ),
    ]
}

/// How much of the noise is the tape's: one sentence; empty where nothing can be told.
pub(in crate::views) fn noise(found: &Comparison, pictures: &Pictures) -> String {
    let (letter, first) = (letter(found, pictures.pass), letter(found, 0));
    let Some(noise) = &pictures.noise else {
        return String::new();
    };
    let share = |told: &Option<Interval>| told.map(|told| told.value.clamp(0.0, 100.0));
    let (Some(of_first), Some(of_second)) = (
        share(&noise.shared_of_first_pct),
        share(&noise.shared_of_second_pct),
    ) else {
        return String::new();
    };
    format!(
        "Of the noise from {:.1} to {:.1} MHz, {of_first:.0} % of that in {first} and {of_second:.0} % of that in {letter} is in both, \
         so it is the tape's; the rest each play adds.",
        noise.from_megahertz, noise.to_megahertz
    )
}

/// Whether an interval leaves nothing out but one side.
fn is_sure(interval: &Interval) -> bool {
    interval.low > 0.0 || interval.high < 0.0
}

/// What became of detail and where the picture stands: one sentence.
pub(in crate::views) fn response(found: &Comparison, pictures: &Pictures) -> String {
    let (letter, first) = (letter(found, pictures.pass), letter(found, 0));
    let Some(response) = &pictures.response else {
        return String::new();
    };
    let mut parts = Vec::new();
    let coherent = |band: &&Band| band.coherence > COHERENT;
    let half = response.bands.iter().filter(coherent).find_map(|band| {
        let told = band.decibels.as_ref()?;
        (told.high < HALF_POWER).then_some(band.megahertz)
    });
    if let Some(megahertz) = half {
        parts.push(format!(
            "detail is half its power or less from {megahertz:.1} MHz"
        ));
    }
    let lifted = response.bands.iter().filter(coherent).find_map(|band| {
        let told = band.decibels.as_ref()?;
        (told.low > LIFTED).then_some(band.megahertz)
    });
    if let Some(megahertz) = lifted {
        parts.push(format!("detail is lifted from {megahertz:.1} MHz"));
    }
    let noisy = response
        .bands
        .iter()
        .find(|band| band.coherence <= COHERENT)
        .map(|band| band.megahertz);
    if let Some(megahertz) = noisy {
        parts.push(format!(
            "from {megahertz:.1} MHz less than half of the power is what both have in common"
        ));
    }
    if let Some(right) = response.right_samples.as_ref().filter(|one| is_sure(one)) {
        let side = if right.value > 0.0 { "right" } else { "left" };
        parts.push(format!(
            "the picture stands {:.2} samples further to the {side}",
            right.value.abs()
        ));
    }
    if let Some(wider) = response.wider_percent.as_ref().filter(|one| is_sure(one)) {
        let word = if wider.value > 0.0 {
            "wider"
        } else {
            "narrower"
        };
        parts.push(format!("it is {:.2} % {word}", wider.value.abs()));
    }
    if pictures.lines_down != 0 {
        let word = if pictures.lines_down > 0 {
            "lower"
        } else {
            "higher"
        };
        parts.push(format!(
            "it stands {} lines of the field {word}",
            pictures.lines_down.abs()
        ));
    }
    if parts.is_empty() {
        format!("{letter} shows as much detail as {first}, in the same place.")
    } else {
        format!("In {letter} against {first}: {}.", parts.join(", "))
    }
}

/// What became of the levels: one sentence.
pub(in crate::views) fn levels(found: &Comparison, relations: &Relations) -> String {
    let (letter, first) = (letter(found, relations.pass), letter(found, 0));
    let told = |id: &str| {
        let relation = relations.relations.iter().find(|one| one.id == id)?;
        let interval = relation.difference.as_ref()?;
        (relation.verdict == Verdict::Differs).then_some(interval.value)
    };
    let mut parts = Vec::new();
    if let Some(middle) = told("luma.middle_ire") {
        let word = if middle < 0.0 { "darker" } else { "brighter" };
        parts.push(format!("{:.1} IRE {word} in the middle", middle.abs()));
    }
    if let Some(gain) = told("luma.gain_pct") {
        parts.push(format!("contrast × {:.3}", 1.0 + gain / 100.0));
    }
    if let Some(black) = told("luma.offset_ire") {
        parts.push(format!("black {} IRE", signed(black, 1)));
    }
    if let Some(saturation) = told("colour.saturation_pct") {
        let word = if saturation < 0.0 { "less" } else { "more" };
        parts.push(format!("{:.0} % {word} saturated", saturation.abs()));
    }
    if let Some(hue) = told("colour.hue_deg") {
        parts.push(format!("hue turned by {}°", signed(hue, 1)));
    }
    for row in found
        .rows
        .iter()
        .filter(|row| row.id == "levels.shadow_contrast_ire")
    {
        let pair = row
            .pairs
            .iter()
            .find(|pair| pair.first == 0 && pair.second == relations.pass);
        if pair.is_some_and(|pair| pair.verdict == Verdict::Worse) {
            parts.push("shadows flatter".to_owned());
        }
    }
    if parts.is_empty() {
        format!("No difference of levels or colour between {letter} and {first} is told.")
    } else {
        format!("Against {first}, {letter} is: {}.", parts.join(", "))
    }
}

/// What the steadiness of two passes comes to: one sentence; `None` where it was not measured.
pub(in crate::views) fn steadiness(found: &Comparison, row: &Row, pair: &Pair) -> Option<String> {
    let (one, other) = (letter(found, pair.first), letter(found, pair.second));
    let (a, b) = (row.values[pair.first]?, row.values[pair.second]?);
    let ratio = pair.ratio_db.map_or_else(String::new, |ratio| {
        format!(
            ", {} dB, ×{:.2}",
            signed(ratio.value, 1),
            10_f64.powf(ratio.value / 20.0)
        )
    });
    let told = match pair.verdict {
        Verdict::Better => format!("{other} is the steadier"),
        Verdict::Worse => format!("{one} is the steadier"),
        Verdict::Differs | Verdict::CannotBeTold => {
            "which is the steadier cannot be told".to_owned()
        }
    };
    Some(format!(
        "Lines wander by {a:.1} ns in {one} and {b:.1} ns in {other}{ratio}: {told}."
    ))
}

/// The outcome between two passes: one or two sentences.
pub(in crate::views) fn ranked(found: &Comparison, pair: &RankedPair) -> String {
    let (one, other) = (letter(found, pair.first), letter(found, pair.second));
    let shares = || {
        let named = pair
            .deciding
            .iter()
            .filter(|share| share.points.abs() >= 0.005)
            .take(NAMED);
        let named: Vec<String> = named
            .map(|share| format!("{} ({} points)", share.label, signed(share.points, 2)))
            .collect();
        named.join(", ")
    };
    match (pair.better, pair.difference) {
        (Some(better), Some(difference)) => format!(
            "{} is better than {}, by {:.2} points ({:.2} to {:.2}); what decides: {}.",
            letter(found, better),
            if better == pair.first { other } else { one },
            difference.value.abs(),
            difference.low.abs().min(difference.high.abs()),
            difference.low.abs().max(difference.high.abs()),
            shares()
        ),
        (None, Some(difference)) => {
            let more = pair.minutes_more.map_or_else(
                || "more of this tape would hardly tell them apart".to_owned(),
                |minutes| {
                    format!(
                        "about {} more of tape would, if it goes on as it is",
                        wait(minutes)
                    )
                },
            );
            format!(
                "{one} and {other} cannot be told apart: {} points; {more}.",
                interval(&difference, 2)
            )
        }
        (_, None) => {
            format!("{one} and {other} share too little that can be weighed to be ranked.")
        }
    }
}

/// What happened, in one sentence.
pub(in crate::views) fn happened(found: &Comparison) -> String {
    let in_all = found.events.iter().filter(|event| event.in_all).count();
    let mut said = vec![format!(
        "{in_all} events are in every play, so they are on the tape or of what the plays have in common"
    )];
    for (place, pass) in found.passes.iter().enumerate() {
        let own = found
            .events
            .iter()
            .filter(|event| event.passes == [place])
            .count();
        said.push(format!("{own} in {} alone", pass.letter));
    }
    if found.events_outside > 0 {
        said.push(format!(
            "{} lie outside of what all share",
            found.events_outside
        ));
    }
    said.join("; ") + "."
}

/// Everything that matters, to be read out.
pub(in crate::views) fn paragraph(found: &Comparison) -> String {
    let mut said = Vec::new();
    let differing: Vec<&str> = found
        .settings
        .iter()
        .filter(|setting| setting.differs)
        .map(|setting| setting.name.as_str())
        .collect();
    said.push(if differing.is_empty() {
        "Nothing that was noted of these passes differs.".to_owned()
    } else {
        format!("These passes differ in: {}.", differing.join(", "))
    });
    said.push(format!(
        "All have {} of tape in common.",
        clock(found.shared_seconds)
    ));
    for row in found
        .rows
        .iter()
        .filter(|row| row.id == "line_timing.error_rms_ns")
    {
        said.extend(
            row.pairs
                .iter()
                .filter_map(|pair| steadiness(found, row, pair)),
        );
    }
    said.extend(
        found
            .relations
            .iter()
            .map(|relations| levels(found, relations)),
    );
    said.push(happened(found));
    said.extend(found.ranking.pairs.iter().map(|pair| ranked(found, pair)));
    said.push(repeats(found));
    said.join(" ")
}

/// What the yardstick is.
pub(in crate::views) fn repeats(found: &Comparison) -> String {
    let chains = &found.repeats.chains;
    if chains.is_empty() {
        return "No chain was played twice (passes with the same --chain or --box and settings), so what two plays of one chain differ by is \
                not known: intervals speak of these plays alone."
            .to_owned();
    }
    let said: Vec<String> = chains
        .iter()
        .map(|chain| {
            let letters: Vec<String> = chain
                .iter()
                .map(|&place| letter(found, place).to_string())
                .collect();
            letters.join(" and ")
        })
        .collect();
    let widest = found.repeats.spread.iter();
    let widest = widest
        .filter(|spread| spread.factor >= 1.05)
        .map(|spread| format!("{} ×{:.1}", spread.group, spread.factor));
    let widest: Vec<String> = widest.collect();
    let widened = if widest.is_empty() {
        "they differ no more than their own seconds do".to_owned()
    } else {
        format!(
            "intervals between chains are widened by what they differ by: {}",
            widest.join(", ")
        )
    };
    format!(
        "{} are plays of one chain, the yardstick; {widened}.",
        said.join("; ")
    )
}
