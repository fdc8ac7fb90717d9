//! A comparison as a page: what differs first, a paragraph to read out, tables, and every quantity of all passes over the tape.
//!
//! Does not know: how anything was found.

use serde::Serialize;

use super::captures::{self, CapturesPart};
use super::chart::{self, Scale};
use super::words::{Word, capital, number, with_unit};
use crate::compare::{Comparison, Course, Pair, Row, Verdict};
use crate::measures::Group;
use crate::record::{Band, Timeline};
use crate::views::comparison::words;

/// Events on the page at most; `--json` has them all.
const MOST_EVENTS: usize = 200;

/// Charts are of what is weighed, and of these.
const ALSO_CHARTED: [&str; 5] = [
    "line_timing.jitter_rms_ns",
    "line_timing.waving_rms_ns",
    "levels.black_ire",
    "levels.peak_ire",
    "chroma.saturation_rms_pct",
];

/// The page as its template takes it.
#[derive(Serialize)]
pub(super) struct ComparedSheet {
    title: String,
    passes: Vec<PassRow>,
    settings: Vec<SettingRow>,
    alike: Vec<String>,
    paragraph: String,
    order: Option<Vec<String>>,
    outcomes: Vec<String>,
    places: Vec<String>,
    relations: Vec<RelationTable>,
    captures: Vec<CapturesPart>,
    pairs: Vec<PairTable>,
    states: Vec<SettingRow>,
    events: Vec<EventRow>,
    more_events: usize,
    happened: String,
    criteria: Vec<CriterionRow>,
    spans: Vec<SpanRow>,
    charts: Vec<OverlaidChart>,
    ticks: Vec<String>,
    version: &'static str,
}

#[derive(Serialize)]
struct PassRow {
    letter: char,
    name: String,
    path: String,
    programme: String,
    aligned: String,
}

#[derive(Serialize)]
struct SettingRow {
    name: String,
    values: Vec<String>,
}

#[derive(Serialize)]
struct RelationTable {
    letter: char,
    first: char,
    sentence: String,
    rows: Vec<RelationRow>,
}

#[derive(Serialize)]
struct RelationRow {
    id: &'static str,
    label: String,
    unit: &'static str,
    value: String,
    verdict: Word,
}

#[derive(Serialize)]
struct PairTable {
    one: char,
    other: char,
    groups: Vec<PairGroup>,
}

#[derive(Serialize)]
struct PairGroup {
    heading: String,
    rows: Vec<PairRow>,
}

#[derive(Serialize)]
struct PairRow {
    id: &'static str,
    label: &'static str,
    unit: String,
    one: String,
    other: String,
    difference: String,
    ratio: String,
    verdict: Word,
    why: String,
}

#[derive(Serialize)]
struct EventRow {
    kind: String,
    severity: &'static str,
    start: String,
    length: String,
    passes: String,
}

#[derive(Serialize)]
struct CriterionRow {
    id: &'static str,
    label: &'static str,
    weight: String,
    per: String,
    points: Vec<String>,
    why: String,
}

#[derive(Serialize)]
struct SpanRow {
    start: String,
    end: String,
    best: String,
}

/// One quantity of all passes.
#[derive(Serialize)]
struct OverlaidChart {
    id: String,
    quantity: &'static str,
    title: String,
    unit: &'static str,
    lines: Vec<PlayLine>,
    description: String,
    top: String,
    bottom: String,
}

#[derive(Serialize)]
struct PlayLine {
    letter: char,
    style: usize,
    path: String,
}

impl ComparedSheet {
    pub(super) fn of(found: &Comparison) -> Self {
        let letters: Vec<String> = found
            .passes
            .iter()
            .map(|pass| pass.letter.to_string())
            .collect();
        let length = found
            .courses
            .first()
            .map_or(0, |course| length_of(&course.lines));
        Self {
            title: format!("{} compared", letters.join(", ")),
            passes: found.passes.iter().map(pass_row).collect(),
            settings: found
                .settings
                .iter()
                .filter(|setting| setting.differs)
                .map(|setting| setting_row(&setting.name, &setting.values))
                .collect(),
            alike: found
                .settings
                .iter()
                .filter(|setting| !setting.differs)
                .filter_map(|setting| {
                    Some(format!("{}: {}", setting.name, setting.values[0].as_ref()?))
                })
                .collect(),
            paragraph: words::paragraph(found),
            order: found.ranking.order.as_ref().map(|order| {
                order
                    .iter()
                    .map(|&place| words::letter(found, place).to_string())
                    .collect()
            }),
            outcomes: found
                .ranking
                .pairs
                .iter()
                .map(|pair| words::ranked(found, pair))
                .collect(),
            places: (1..found.passes.len())
                .map(|at| words::place(found, at))
                .collect(),
            relations: relations(found),
            captures: captures::parts(found),
            pairs: found
                .ranking
                .pairs
                .iter()
                .map(|pair| pair_table(found, (pair.first, pair.second)))
                .collect(),
            states: found
                .states
                .iter()
                .map(|state| {
                    let said = state.words.iter().map(|said| {
                        said.map(|said| {
                            format!(
                                "{} {:.0} %",
                                said.word.replace('_', " "),
                                100.0 * said.share
                            )
                        })
                    });
                    setting_row(state.label, &said.collect::<Vec<Option<String>>>())
                })
                .collect(),
            events: events(found),
            more_events: found.events.len().saturating_sub(MOST_EVENTS),
            happened: words::happened(found),
            criteria: criteria(found),
            spans: spans(found),
            charts: charts(found),
            ticks: (0..=4)
                .map(|quarter| words::clock((length * quarter) as f64 / 4.0))
                .collect(),
            version: found.version,
        }
    }
}

fn length_of(lines: &[Timeline]) -> u64 {
    let lengths = lines
        .iter()
        .map(|line| line.step_seconds * line.steps.len() as u64);
    lengths.max().unwrap_or(0)
}

fn pass_row(pass: &crate::compare::Compared) -> PassRow {
    PassRow {
        letter: pass.letter,
        name: pass.name.clone(),
        path: pass.path.display().to_string(),
        programme: words::clock(pass.programme_seconds),
        aligned: words::clock(pass.aligned_seconds),
    }
}

fn setting_row(name: &str, values: &[Option<String>]) -> SettingRow {
    let values = values
        .iter()
        .map(|value| value.clone().unwrap_or_else(|| "–".to_owned()));
    SettingRow {
        name: capital(name),
        values: values.collect(),
    }
}

fn verdict(verdict: Verdict) -> Word {
    let (tone, symbol) = match verdict {
        Verdict::Better => ("calm", "●"),
        Verdict::Worse => ("stop", "■"),
        Verdict::Differs => ("look", "▲"),
        Verdict::CannotBeTold => ("unsure", "?"),
    };
    Word {
        tone,
        symbol,
        text: verdict.words(),
    }
}

fn relations(found: &Comparison) -> Vec<RelationTable> {
    let tables = found.relations.iter().map(|one| RelationTable {
        letter: words::letter(found, one.pass),
        first: found.passes[0].letter,
        sentence: words::levels(found, one),
        rows: one
            .relations
            .iter()
            .map(|relation| RelationRow {
                id: relation.id,
                label: capital(relation.label),
                unit: relation.unit,
                value: relation
                    .difference
                    .as_ref()
                    .map_or_else(|| "–".to_owned(), |value| words::interval(value, 2)),
                verdict: verdict(relation.verdict),
            })
            .collect(),
    });
    tables.collect()
}

fn pair_table(found: &Comparison, places: (usize, usize)) -> PairTable {
    let groups = Group::ALL.into_iter().map(|group| {
        let own = found.rows.iter().filter(|row| row.group == group.word());
        let rows = own.filter_map(|row| {
            let pair = row
                .pairs
                .iter()
                .find(|pair| (pair.first, pair.second) == places)?;
            Some(pair_row(row, pair))
        });
        PairGroup {
            heading: capital(group.word()),
            rows: rows.collect(),
        }
    });
    PairTable {
        one: words::letter(found, places.0),
        other: words::letter(found, places.1),
        groups: groups.filter(|group| !group.rows.is_empty()).collect(),
    }
}

fn pair_row(row: &Row, pair: &Pair) -> PairRow {
    let value = |place: usize| {
        row.values[place].map_or_else(|| "–".to_owned(), |value| number(value, row.decimals))
    };
    let said = words::verdict(pair);
    let verdict = verdict(pair.verdict);
    let why = said.strip_prefix(verdict.text).unwrap_or_default();
    PairRow {
        id: row.id,
        label: row.label,
        unit: row.unit.clone(),
        one: value(pair.first),
        other: value(pair.second),
        difference: pair.difference.as_ref().map_or_else(
            || "–".to_owned(),
            |one| words::interval(one, row.decimals + 1),
        ),
        ratio: pair.ratio_db.map_or_else(String::new, |ratio| {
            format!("{} dB", words::signed(ratio.value, 1))
        }),
        why: why.trim_start_matches([':', ' ']).to_owned(),
        verdict,
    }
}

fn events(found: &Comparison) -> Vec<EventRow> {
    let rows = found.events.iter().take(MOST_EVENTS).map(|event| {
        let letters: Vec<String> = event
            .passes
            .iter()
            .map(|&place| words::letter(found, place).to_string())
            .collect();
        EventRow {
            kind: capital(&event.kind.word().replace('_', " ")),
            severity: event.severity.word(),
            start: event.start_timecode.clone(),
            length: format!("{:.2} s", event.duration_seconds),
            passes: if event.in_all {
                "every play".to_owned()
            } else {
                format!("only {}", letters.join(", "))
            },
        }
    });
    rows.collect()
}

fn criteria(found: &Comparison) -> Vec<CriterionRow> {
    let rows = found.ranking.criteria.iter().map(|one| CriterionRow {
        id: one.id,
        label: one.label,
        weight: format!("{}", one.weight),
        per: with_unit(&format!("{}", one.per), one.unit),
        points: found
            .ranking
            .pairs
            .iter()
            .map(|pair| {
                let share = pair.deciding.iter().find(|share| share.id == one.id);
                share.map_or_else(|| "–".to_owned(), |share| words::signed(share.points, 2))
            })
            .collect(),
        why: one
            .left_out
            .as_ref()
            .map_or_else(|| capital(one.why), |why| format!("Left out: {why}")),
    });
    rows.collect()
}

fn spans(found: &Comparison) -> Vec<SpanRow> {
    let rows = found.spans.iter().map(|span| SpanRow {
        start: words::clock(span.start_seconds as f64),
        end: words::clock(span.end_seconds as f64),
        best: span.best.map_or_else(
            || "cannot be told".to_owned(),
            |place| words::letter(found, place).to_string(),
        ),
    });
    rows.collect()
}

fn charts(found: &Comparison) -> Vec<OverlaidChart> {
    let weighed = |id: &str| {
        found
            .ranking
            .criteria
            .iter()
            .any(|one| one.id == id && one.left_out.is_none())
    };
    let wanted = found
        .courses
        .iter()
        .filter(|course| weighed(course.id) || ALSO_CHARTED.contains(&course.id));
    wanted.filter_map(|course| chart(found, course)).collect()
}

fn chart(found: &Comparison, course: &Course) -> Option<OverlaidChart> {
    let scale = Scale::of(&middles(&course.lines), &[])?;
    let decimals = found
        .rows
        .iter()
        .find(|row| row.id == course.id)
        .map_or(2, |row| row.decimals);
    let shown = |value: f64| with_unit(&number(value, decimals), course.unit);
    let lines: Vec<PlayLine> = course
        .lines
        .iter()
        .enumerate()
        .map(|(place, line)| PlayLine {
            letter: words::letter(found, place),
            style: place % 4,
            path: chart::paths(line, scale).1,
        })
        .collect();
    let said: Vec<String> = course
        .lines
        .iter()
        .enumerate()
        .filter_map(|(place, line)| {
            let known: Vec<f64> = line
                .steps
                .iter()
                .flatten()
                .map(|band| band.median)
                .collect();
            let mean = known.iter().sum::<f64>() / known.len() as f64;
            (!known.is_empty())
                .then(|| format!("{} {} on average", words::letter(found, place), shown(mean)))
        })
        .collect();
    let step = course.lines.first().map_or(1, |line| line.step_seconds);
    Some(OverlaidChart {
        id: format!("overlaid-{}", course.id.replace(['.', '_'], "-")),
        quantity: course.id,
        title: capital(course.label),
        unit: course.unit,
        lines,
        description: format!(
            "{}. A step is {step} s of tape that all passes have.",
            said.join(", ")
        ),
        top: shown(scale.to),
        bottom: shown(scale.from),
    })
}

/// All lines as one, for a scale that holds them.
fn middles(lines: &[Timeline]) -> Timeline {
    let steps = lines.iter().flat_map(|line| {
        line.steps.iter().map(|step| {
            step.map(|band| Band {
                min: band.median,
                max: band.median,
                ..band
            })
        })
    });
    Timeline {
        step_seconds: lines.first().map_or(1, |line| line.step_seconds),
        steps: steps.collect(),
    }
}
