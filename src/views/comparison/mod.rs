//! A comparison as text: what differs first, then tables, then what it comes to.
//!
//! In: a [`Comparison`]. Out: lines for a terminal or a file. Does not know: how anything was found.

use std::fmt::Write as _;

use unicode_width::UnicodeWidthStr;

use crate::compare::{Comparison, Pair, Row};
use crate::measures::Group;

pub(super) mod words;

/// Events that are listed; JSON has them all.
const MOST_EVENTS: usize = 20;

/// Stretches that are listed.
const MOST_STRETCHES: usize = 20;

/// The whole of it.
#[must_use]
pub fn text(found: &Comparison) -> String {
    let mut out = String::new();
    passes(&mut out, found);
    settings(&mut out, found);
    out.push('\n');
    for at in 1..found.passes.len() {
        line(&mut out, &words::place(found, at));
    }
    let shared = words::clock(found.shared_seconds);
    line(
        &mut out,
        &format!(
            "All passes have {shared} of tape in common. {}",
            words::repeats(found)
        ),
    );
    relations(&mut out, found);
    pictures(&mut out, found);
    for pair in &found.ranking.pairs {
        rows(&mut out, found, (pair.first, pair.second));
    }
    states(&mut out, found);
    events(&mut out, found);
    ranking(&mut out, found);
    out
}

fn line(out: &mut String, text: &str) {
    out.push_str(text);
    out.push('\n');
}

/// Cells in columns, the first and the last to the left, the others to the right.
fn table(out: &mut String, rows: &[Vec<String>]) {
    let columns = rows.iter().map(Vec::len).max().unwrap_or(0);
    let widths: Vec<usize> = (0..columns)
        .map(|column| {
            rows.iter()
                .filter_map(|row| row.get(column))
                .map(|cell| cell.width())
                .max()
                .unwrap_or(0)
        })
        .collect();
    for row in rows {
        let mut text = String::from(" ");
        for (column, (cell, width)) in row.iter().zip(&widths).enumerate() {
            let fill = " ".repeat(width - cell.width());
            if column == 0 || column + 1 == columns {
                let _ = write!(text, " {cell}{fill} ");
            } else {
                let _ = write!(text, " {fill}{cell} ");
            }
        }
        line(out, text.trim_end());
    }
}

fn passes(out: &mut String, found: &Comparison) {
    line(out, "Passes");
    let rows: Vec<Vec<String>> = found
        .passes
        .iter()
        .map(|pass| {
            vec![
                format!("{}  {}", pass.letter, pass.name),
                format!("{} of programme", words::clock(pass.programme_seconds)),
                pass.path.display().to_string(),
            ]
        })
        .collect();
    table(out, &rows);
}

fn settings(out: &mut String, found: &Comparison) {
    let differing: Vec<_> = found
        .settings
        .iter()
        .filter(|setting| setting.differs)
        .collect();
    if differing.is_empty() {
        line(out, "\nNothing that was noted of the passes differs.");
        return;
    }
    line(out, "\nWhat differs between the passes");
    let mut rows = vec![heads(found, "")];
    for setting in differing {
        let values = setting
            .values
            .iter()
            .map(|value| value.clone().unwrap_or_else(|| "–".to_owned()));
        rows.push(
            std::iter::once(setting.name.clone())
                .chain(values)
                .collect(),
        );
    }
    table(out, &rows);
}

fn pictures(out: &mut String, found: &Comparison) {
    for one in &found.pictures {
        let (letter, first) = (words::letter(found, one.pass), found.passes[0].letter);
        line(
            out,
            &format!("\nResponse across a line: {letter} against {first}, with 95 %"),
        );
        let Some(response) = &one.response else {
            line(
                out,
                "  Too little of the captures shows the same moments of tape.",
            );
            continue;
        };
        let mut rows = vec![["MHz", "dB", "coherence"].map(str::to_owned).to_vec()];
        rows.extend(words::bands(&response.bands, 1).into_iter().map(Vec::from));
        table(out, &rows);
        line(out, &words::response(found, one));
        if let Some(chroma) = &one.chroma {
            line(
                out,
                &format!("\nColour across a line: {letter} against {first}, with 95 %"),
            );
            let rows = words::colour_rows(chroma).into_iter().map(Vec::from);
            table(out, &rows.collect::<Vec<Vec<String>>>());
            line(out, &words::colour(found, one));
        }
        if one.noise.is_some() {
            line(
                out,
                &format!("\nNoise where the picture is plain: {letter} beside {first}, with 95 %"),
            );
            let rows = words::noise_rows(found, one).into_iter().map(Vec::from);
            table(out, &rows.collect::<Vec<Vec<String>>>());
            line(out, &words::noise(found, one));
        }
    }
}

fn heads(found: &Comparison, first: &str) -> Vec<String> {
    let letters = found.passes.iter().map(|pass| pass.letter.to_string());
    std::iter::once(first.to_owned()).chain(letters).collect()
}

fn relations(out: &mut String, found: &Comparison) {
    for one in &found.relations {
        let (letter, first) = (words::letter(found, one.pass), found.passes[0].letter);
        line(
            out,
            &format!("\nLevels and colour: {letter} against {first}, with 95 %"),
        );
        let rows: Vec<Vec<String>> = one
            .relations
            .iter()
            .map(|relation| {
                let value = relation.difference.as_ref();
                vec![
                    relation.label.to_owned(),
                    value.map_or_else(|| "–".to_owned(), |value| words::interval(value, 2)),
                    relation.unit.to_owned(),
                    relation.verdict.words().to_owned(),
                ]
            })
            .collect();
        table(out, &rows);
        line(out, &words::levels(found, one));
    }
}

fn rows(out: &mut String, found: &Comparison, (first, second): (usize, usize)) {
    let (one, other) = (words::letter(found, first), words::letter(found, second));
    line(
        out,
        &format!("\n{other} beside {one}, over the same stretches of tape"),
    );
    let mut cells = vec![
        ["", "unit"]
            .into_iter()
            .map(str::to_owned)
            .chain([
                one.to_string(),
                other.to_string(),
                format!("{other} less {one}, with 95 %"),
                "ratio".into(),
                format!("{other} is"),
            ])
            .collect::<Vec<String>>(),
    ];
    let mut silent = Vec::new();
    for group in Group::ALL {
        let of_group = found.rows.iter().filter(|row| row.group == group.word());
        for row in of_group {
            let Some(pair) = row
                .pairs
                .iter()
                .find(|pair| (pair.first, pair.second) == (first, second))
            else {
                continue;
            };
            if pair.seconds == 0 {
                silent.push(row.label);
            } else {
                cells.push(cells_of(row, pair));
            }
        }
    }
    table(out, &cells);
    if !silent.is_empty() {
        line(
            out,
            &format!("Not measurable in both: {}.", silent.join(", ")),
        );
    }
}

fn cells_of(row: &Row, pair: &Pair) -> Vec<String> {
    let value = |place: usize| {
        row.values[place].map_or_else(
            || "–".to_owned(),
            |value| format!("{value:.*}", row.decimals),
        )
    };
    let difference = pair.difference.as_ref();
    vec![
        row.label.to_owned(),
        row.unit.clone(),
        value(pair.first),
        value(pair.second),
        difference.map_or_else(
            || "–".to_owned(),
            |difference| words::interval(difference, row.decimals + 1),
        ),
        pair.ratio_db.map_or_else(String::new, |ratio| {
            format!("{} dB", words::signed(ratio.value, 1))
        }),
        words::verdict(pair),
    ]
}

fn states(out: &mut String, found: &Comparison) {
    line(out, "\nWhat the passes say most");
    let mut rows = vec![heads(found, "")];
    for state in &found.states {
        let words = state.words.iter().map(|said| {
            said.map_or_else(
                || "–".to_owned(),
                |said| {
                    format!(
                        "{} {:.0} %",
                        said.word.replace('_', " "),
                        100.0 * said.share
                    )
                },
            )
        });
        rows.push(
            std::iter::once(state.label.to_owned())
                .chain(words)
                .collect(),
        );
    }
    table(out, &rows);
}

fn events(out: &mut String, found: &Comparison) {
    line(out, "\nEvents");
    line(out, &words::happened(found));
    let rows: Vec<Vec<String>> = found
        .events
        .iter()
        .take(MOST_EVENTS)
        .map(|event| {
            let letters: String = event
                .passes
                .iter()
                .map(|&place| words::letter(found, place))
                .collect();
            vec![
                event.kind.word().replace('_', " "),
                event.start_timecode.clone(),
                format!("{:.2} s", event.duration_seconds),
                if event.in_all {
                    "every play".to_owned()
                } else {
                    format!("only {letters}")
                },
            ]
        })
        .collect();
    table(out, &rows);
    if found.events.len() > MOST_EVENTS {
        line(
            out,
            &format!(
                "{} more: --json lists them all.",
                found.events.len() - MOST_EVENTS
            ),
        );
    }
}

fn ranking(out: &mut String, found: &Comparison) {
    line(out, "\nRanking, by the weights in force");
    match &found.ranking.order {
        Some(order) => {
            let letters: Vec<String> = order
                .iter()
                .map(|&place| words::letter(found, place).to_string())
                .collect();
            line(out, &format!("Best first: {}.", letters.join(", ")));
        }
        None => line(
            out,
            "No two passes can be told apart, so there is no ranking.",
        ),
    }
    for pair in &found.ranking.pairs {
        line(out, &words::ranked(found, pair));
    }
    let left: Vec<String> = found
        .ranking
        .criteria
        .iter()
        .filter_map(|one| {
            one.left_out
                .as_ref()
                .map(|why| format!("{} ({why})", one.label))
        })
        .collect();
    if !left.is_empty() {
        line(out, &format!("Left out: {}.", left.join("; ")));
    }
    let told: Vec<_> = found
        .spans
        .iter()
        .filter(|span| span.best.is_some())
        .collect();
    if told.is_empty() {
        line(out, "For no minute of tape a best pass is certain.");
        return;
    }
    line(
        out,
        &format!(
            "Where one pass is best for certain, by the time of {}:",
            found.passes[0].letter
        ),
    );
    let rows: Vec<Vec<String>> = told
        .iter()
        .take(MOST_STRETCHES)
        .map(|span| {
            let best = span.best.map_or('–', |place| words::letter(found, place));
            vec![
                words::clock(span.start_seconds as f64),
                format!("to {}", words::clock(span.end_seconds as f64)),
                best.to_string(),
            ]
        })
        .collect();
    table(out, &rows);
    if told.len() > MOST_STRETCHES {
        line(
            out,
            &format!(
                "{} more: --json lists them all.",
                told.len() - MOST_STRETCHES
            ),
        );
    }
}
