//! Moments of tape in two passes as pictures within the page (RFC 2397): each field, the two side by side and what they differ by.
//!
//! A field is shown with its lines drawn out to the height of the frame. All pictures of a page together stay within
//! [`MOST_BYTES`]: first they are packed closer, then moments are left out.
//!
//! Does not know: how moments were chosen or laid upon each other.

use base64_simd::STANDARD;
use serde::Serialize;

use crate::compare::{AMPLIFIED, Comparison, Moment, Pictures, Still, Why};
use crate::record::jpeg;
use crate::views::comparison::words;

/// Bytes of all pictures as text: tables and charts take some hundred thousand, so a page stays under 3 MB.
const MOST_BYTES: usize = 2_000_000;

/// JPEG qualities that are tried, the best that fits being taken: at the first nothing shows, at the last blocks begin to.
const QUALITIES: [u8; 4] = [88, 75, 60, 45];

/// What comes before each picture of a page.
const SCHEME: &str = "data:image/jpeg;base64,";

/// One moment.
#[derive(Serialize)]
pub(super) struct MomentFigures {
    title: String,
    why: &'static str,
    first_field: u64,
    aspect: String,
    figures: Vec<Figure>,
}

#[derive(Serialize)]
struct Figure {
    kind: &'static str,
    /// Of letters that mean nothing to markup: it goes into the page as it is.
    source: String,
    width: usize,
    height: usize,
    /// For those who do not see it.
    alt: String,
    caption: String,
}

/// The moments of a pass beside the first, in the order of the tape, and what is said of those left out; empty of none.
pub(super) fn moments(found: &Comparison, one: &Pictures) -> (Vec<MomentFigures>, String) {
    let names = Names {
        first: words::letter(found, 0),
        second: words::letter(found, one.pass),
        laid: laid(one, words::letter(found, 0)),
    };
    fitted(
        &names,
        &one.moments,
        MOST_BYTES / found.pictures.len().max(1),
    )
}

/// What passes go by, and how the second was brought onto the first.
struct Names {
    first: char,
    second: char,
    laid: String,
}

/// As many moments, packed as well, as fit into so many bytes.
fn fitted(names: &Names, moments: &[Moment], most: usize) -> (Vec<MomentFigures>, String) {
    // Each rule comes before the next where not all fit.
    let mut by_rule: Vec<&Moment> = moments.iter().collect();
    by_rule.sort_by_key(|moment| rank(moment.why));
    for count in (1..=by_rule.len()).rev() {
        let mut kept = by_rule[..count].to_vec();
        kept.sort_by_key(|moment| moment.first_field);
        let fitting = QUALITIES.iter().find_map(|&quality| {
            let figures = kept
                .iter()
                .map(|moment| figures(names, moment, quality))
                .collect::<Option<Vec<MomentFigures>>>()?;
            let bytes: usize = figures
                .iter()
                .flat_map(|moment| &moment.figures)
                .map(|figure| figure.source.len())
                .sum();
            (bytes <= most).then_some(figures)
        });
        if let Some(figures) = fitting {
            return (figures, left_out(by_rule.len() - count));
        }
    }
    (Vec::new(), left_out(by_rule.len()))
}

fn rank(why: Why) -> usize {
    match why {
        Why::UsualDetail => 0,
        Why::DiffersMost => 1,
        Why::Darkest => 2,
    }
}

fn left_out(count: usize) -> String {
    match count {
        0 => String::new(),
        1 => "One more moment is left out, so that the page stays small.".to_owned(),
        count => format!("{count} more moments are left out, so that the page stays small."),
    }
}

fn reason(why: Why) -> (&'static str, &'static str) {
    match why {
        Why::UsualDetail => (
            "Usual detail",
            "Of the moments looked at, this one has middling detail in the first pass.",
        ),
        Why::Darkest => (
            "Darkest",
            "Of the moments looked at, this one is the darkest in the first pass that shows anything.",
        ),
        Why::DiffersMost => (
            "Differs most",
            "Of the moments looked at, the passes differ most in this one.",
        ),
    }
}

fn figures(names: &Names, moment: &Moment, quality: u8) -> Option<MomentFigures> {
    let (letter, first) = (names.second, names.first);
    let (here, there) = (&moment.first_timecode, &moment.second_timecode);
    let (name, why) = reason(moment.why);
    let stills = &moment.stills;
    let figure = |kind, still: &Still, alt: String, caption: String| {
        let bytes = jpeg(&still.samples, still.size, quality)?;
        let (width, height) = stills.aspect;
        Some(Figure {
            kind,
            source: format!("{SCHEME}{}", STANDARD.encode_to_string(&bytes)),
            width: still.size.0,
            height: still.size.0 * height / width.max(1),
            alt,
            caption,
        })
    };
    let figures = [
        figure(
            "first",
            &stills.first,
            format!("Picture of {first} at {here}"),
            format!("{first}, {here}."),
        ),
        figure(
            "second",
            &stills.second,
            format!("Picture of {letter} at {there}, laid upon that of {first}"),
            format!("{letter}, {there}, {}.", names.laid),
        ),
        figure(
            "split",
            &stills.split,
            format!("Left half of {first} at {here} beside the right half of {letter} at {there}"),
            format!(
                "Left half {first}, {here}; right half {letter}, {there}. White marks show the border."
            ),
        ),
        figure(
            "difference",
            &stills.difference,
            format!(
                "{letter} at {there} less {first} at {here}, {AMPLIFIED} times amplified about mid grey"
            ),
            format!(
                "{letter} at {there} less {first} at {here}, ×{AMPLIFIED} about mid grey: lighter where {letter} is lighter. \
                 Luma differs by {:.1} IRE rms.",
                moment.difference_rms_ire
            ),
        ),
    ];
    Some(MomentFigures {
        title: format!("{name}: {first} at {here}, {letter} at {there}"),
        why,
        first_field: moment.first_field,
        aspect: format!("{}/{}", stills.aspect.0, stills.aspect.1),
        figures: figures.into_iter().collect::<Option<_>>()?,
    })
}

/// How the second picture was brought onto the first; what is less than a hundredth is not told.
fn laid(one: &Pictures, first: char) -> String {
    let Some(response) = &one.response else {
        return format!("as it lies: how it is shifted against {first} is not known");
    };
    let mut moved = Vec::new();
    let mut tell = |value: Option<f64>, unit: &str, [above, below]: [&str; 2]| {
        let shown = value.filter(|value| value.abs() >= 0.005);
        moved.extend(shown.map(|value| {
            let side = if value > 0.0 { above } else { below };
            format!("{:.2} {unit} {side}", value.abs())
        }));
    };
    let right = response.right_samples.map(|right| right.value);
    tell(right, "samples", ["to the left", "to the right"]);
    let wider = response.wider_percent.map(|wider| wider.value);
    tell(wider, "%", ["narrower", "wider"]);
    if one.lines_down != 0 {
        let side = if one.lines_down > 0 { "up" } else { "down" };
        moved.push(format!("{} lines {side}", one.lines_down.abs()));
    }
    if moved.is_empty() {
        format!("where {first} is")
    } else {
        format!("laid upon {first}: {}", moved.join(", "))
    }
}

#[cfg(test)]
mod tests;
