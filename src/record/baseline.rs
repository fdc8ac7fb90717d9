//! Limits learned from a finished pass of a tape that the operator knows to be good.
//!
//! In: a closed [`Pass`] and the limits to begin with. Out: a [`Baseline`]: those limits with the rows that can be learned
//! ([`Limit::is_learnable`]) put where [`QUANTILE`] of the pass's programme fields stay inside, never under the least the
//! row allows. A chain of one's own is judged against what it can do, and a rule of six fields in ten that are each beyond
//! one field in a hundred does not ring by chance.
//!
//! Does not know: whether the tape was good; it says how the pass was judged and what it raises.

use super::error::RecordError;
use super::reader::Pass;
use crate::limits::{Limit, Limits, Side};
use crate::measures::dsp::robust;
use crate::measures::{Quantity, Value, quantities};
use crate::timecode::FieldIndex;
use crate::units::Seconds;

/// Share of programme fields that stay inside a learned limit.
pub const QUANTILE: f64 = 0.99;

/// Least programme in which a quantity was measured: under a minute one scene decides.
pub const LEAST_PROGRAMME: Seconds = Seconds(60.0);

/// Why nothing can be learned of a pass.
#[derive(Debug, thiserror::Error)]
pub enum BaselineError {
    /// It cannot be read.
    #[error(transparent)]
    Pass(#[from] RecordError),
    /// It has no end.
    #[error(
        "'{0}' was not closed: it is still being recorded, or recording was cut short; learn from a pass that ended properly"
    )]
    Unfinished(String),
    /// Too little was recorded on the tape.
    #[error(
        "'{path}' holds {seconds:.0} s of programme, and {least:.0} s are needed to learn limits from: \
         record a longer stretch of a good tape through this chain"
    )]
    TooShort {
        /// The pass.
        path: String,
        /// What there is.
        seconds: f64,
        /// What is needed.
        least: f64,
    },
    /// There is programme, but its timing could not be read.
    #[error(
        "'{path}' shows line timing in {seconds:.0} s of its {programme:.0} s of programme, and {least:.0} s are needed to \
         learn limits from: learn from a pass whose timing was read (capture the full width, so that blanking is in view; \
         `trueline export PASS fields` shows line_timing.basis)"
    )]
    Unseen {
        /// The pass.
        path: String,
        /// The most that any learnable quantity has.
        seconds: f64,
        /// Programme.
        programme: f64,
        /// What is needed.
        least: f64,
    },
}

/// Limits learned from a pass.
#[derive(Clone, Debug)]
pub struct Baseline {
    /// All limits: those begun with, and what was learned in its place.
    pub limits: Limits,
    /// Programme fields of the pass.
    pub fields: usize,
    /// Every row that can be learned, and what came of it.
    pub rows: Vec<LearnedRow>,
    /// The verdict on the pass, as its summary says.
    pub verdict: Option<String>,
}

/// What came of one row.
#[derive(Clone, Debug, PartialEq)]
pub struct LearnedRow {
    /// The row.
    pub id: &'static str,
    /// Its unit.
    pub unit: &'static str,
    /// Programme fields with the quantity.
    pub fields: usize,
    /// `enter` before.
    pub before: f64,
    /// `enter` as learned; `None` where too few fields showed the quantity, and the row stayed.
    pub learned: Option<f64>,
}

impl LearnedRow {
    /// Whether the pass was worse than the limit begun with.
    #[must_use]
    pub fn raised(&self) -> bool {
        self.learned.is_some_and(|learned| learned > self.before)
    }
}

/// The values of one quantity in the programme, by size.
struct Gathered {
    limit: Limit,
    place: usize,
    quantity: &'static Quantity,
    values: Vec<f32>,
}

impl Baseline {
    /// Learns from a pass, beginning with `base`.
    ///
    /// # Errors
    /// A pass that cannot be read, was not closed, or shows less than [`LEAST_PROGRAMME`] of what is to be learned.
    pub fn learn(pass: &Pass, base: &Limits) -> Result<Self, BaselineError> {
        let path = pass.path().display().to_string();
        if pass.closed_at().is_none() {
            return Err(BaselineError::Unfinished(path));
        }
        let mut gathered = learnable(base);
        let fields = gather(pass, &mut gathered)?;
        let period = pass.head().field_period.0;
        let (programme, least) = (fields as f64 * period, LEAST_PROGRAMME.0);
        if programme < least {
            return Err(BaselineError::TooShort {
                path,
                seconds: programme,
                least,
            });
        }
        let enough = (least / period).ceil() as usize;
        let mut limits = base.clone();
        let rows: Vec<LearnedRow> = gathered
            .into_iter()
            .map(|row| row.learn(enough, &mut limits))
            .collect();
        if rows.iter().all(|row| row.learned.is_none()) {
            let most = rows.iter().map(|row| row.fields).max().unwrap_or(0);
            return Err(BaselineError::Unseen {
                path,
                seconds: most as f64 * period,
                programme,
                least,
            });
        }
        let verdict = pass.summary()?.and_then(|summary| {
            let word = summary.get("verdict")?.as_str()?;
            Some(word.to_owned())
        });
        Ok(Self {
            limits,
            fields,
            rows,
            verdict,
        })
    }

    /// What came of the row of a limit; `None` of those that cannot be learned.
    #[must_use]
    pub fn row(&self, id: &str) -> Option<&LearnedRow> {
        self.rows.iter().find(|row| row.id == id)
    }
}

fn learnable(base: &Limits) -> Vec<Gathered> {
    let rows = base.rows().iter().filter(|row| row.is_learnable());
    rows.filter_map(|&limit| {
        let mut places = quantities().enumerate();
        let (place, quantity) = places.find(|(_, quantity)| quantity.id == limit.quantity)?;
        Some(Gathered {
            limit,
            place,
            quantity,
            values: Vec::new(),
        })
    })
    .collect()
}

/// Takes in the programme of a pass; gives the number of its fields.
fn gather(pass: &Pass, gathered: &mut [Gathered]) -> Result<usize, RecordError> {
    let mut fields = 0;
    for span in pass.programme()? {
        let end = span.end.map_or(u64::MAX, |end| end.0.saturating_add(1));
        for row in pass.rows(span.start..FieldIndex(end)) {
            let row = row?;
            fields += 1;
            for one in &mut *gathered {
                one.take(row.values[one.place]);
            }
        }
    }
    Ok(fields)
}

impl Gathered {
    fn take(&mut self, value: Option<Value>) {
        let Some(number) = value.and_then(Value::number) else {
            return;
        };
        let outside = self
            .limit
            .threshold()
            .is_some_and(|threshold| threshold.side == Side::Outside);
        let size = if outside { number.abs() } else { number };
        self.values.push(size as f32);
    }

    fn learn(mut self, enough: usize, limits: &mut Limits) -> LearnedRow {
        let fields = self.values.len();
        let threshold = self.limit.threshold();
        let quantile = robust::quantile(&mut self.values, QUANTILE).filter(|_| fields >= enough);
        LearnedRow {
            id: self.limit.id,
            unit: threshold.map_or("", |threshold| threshold.unit),
            fields,
            before: threshold.map_or(0.0, |threshold| threshold.enter),
            learned: quantile.and_then(|quantile| {
                // Rounded outwards to a step of the quantity: the fields of the quantile itself stay inside.
                let steps = (f64::from(quantile) / self.quantity.step).ceil();
                limits.learn(self.limit.id, steps * self.quantity.step)
            }),
        }
    }
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::*;
    use crate::alarms::WhyEnded;
    use crate::alarms::script::{exactly, healthy};
    use crate::limits::Kind;
    use crate::measures::Readings;
    use crate::record::head::ProgrammeSpan;
    use crate::record::row::Row;
    use crate::record::testing::{closing, head};
    use crate::record::writer::{WhenFull, create};
    use crate::units::Nanos;

    /// A minute and a half of 525-line fields.
    const FIELDS: u64 = 5_400;

    /// A pass of these fields; its programme leaves out the first and the last 300.
    fn recorded(path: &Path, field: impl Fn(u64) -> Readings, fields: u64, close: bool) -> Pass {
        let (mut sender, writer) = create(path, &head(false), WhenFull::Wait).expect("a new pass");
        let writing = std::thread::spawn(move || writer.run());
        for index in 0..fields {
            sender.field(&Row::from(&field(index)), None).expect("room");
        }
        let span = ProgrammeSpan {
            start: FieldIndex(300),
            end: Some(FieldIndex(fields.saturating_sub(301))),
            why_ended: Some(WhyEnded::PassEnded),
        };
        sender.programme(&[span]).expect("room");
        if close {
            sender.close(closing(fields)).expect("room");
        } else {
            drop(sender);
        }
        let _ = writing.join().expect("the writer does not panic");
        Pass::open(path).expect("the pass")
    }

    /// Wobble rising by 0.01 ns a field from `least`, the top bent by 40 ns to either side in turn.
    fn rising(least: f64) -> impl Fn(u64) -> Readings {
        move |field| {
            let mut readings = healthy(field);
            readings.line_timing.error_rms = exactly(Nanos(least + field as f64 / 100.0));
            let side = if field.is_multiple_of(2) { 40.0 } else { -40.0 };
            readings.flagging.offset = exactly(Nanos(side));
            if !(300..FIELDS - 300).contains(&field) {
                readings.line_timing.error_rms = exactly(Nanos(4_000.0));
            }
            readings
        }
    }

    fn learned_of(field: impl Fn(u64) -> Readings, fields: u64) -> Result<Baseline, String> {
        let scratch = tempfile::tempdir().expect("a temporary directory");
        let pass = recorded(&scratch.path().join("a.pass"), field, fields, true);
        Baseline::learn(&pass, &Limits::default()).map_err(|error| error.to_string())
    }

    #[test]
    fn a_limit_lies_where_99_percent_of_programme_stays_inside() {
        let baseline = learned_of(rising(10.0), FIELDS).expect("enough programme");
        assert_eq!(baseline.fields, 4_800);
        let wobble = baseline.row("wobble").expect("a learnable row");
        // fields 300 to 5099 rise evenly from 13 to 60.99 ns
        let expected = 13.0 + 0.99 * 47.99;
        let learned = wobble.learned.expect("it was measured");
        assert!((learned - expected).abs() < 0.11, "{learned} {expected}");
        assert!(wobble.raised());
        let row = baseline.limits.of_kind(Kind::Wobble).expect("a row");
        let threshold = row.threshold().expect("a number");
        assert_eq!(threshold.enter, learned);
        assert!((threshold.leave / threshold.enter - 0.7).abs() < 0.01);
        // either side counts by its size
        assert_eq!(
            baseline.row("flagging").and_then(|row| row.learned),
            Some(40.0)
        );
    }

    #[test]
    fn a_limit_never_falls_under_its_floor() {
        let baseline = learned_of(healthy, FIELDS).expect("enough programme");
        assert_eq!(
            baseline.row("wobble").and_then(|row| row.learned),
            Some(7.4)
        );
        assert_eq!(
            baseline.row("flagging").and_then(|row| row.learned),
            Some(15.0)
        );
        assert!(baseline.rows.iter().all(|row| !row.raised()));
    }

    #[test]
    fn rows_that_cannot_be_learned_stay_as_they_were_given() {
        let scratch = tempfile::tempdir().expect("a temporary directory");
        let pass = recorded(&scratch.path().join("a.pass"), rising(10.0), FIELDS, true);
        let base =
            Limits::from_toml("[tear]\nenter = 9\n[wobble]\nhits = 3\n[verdict]\nslip_ms = 80\n")
                .expect("a valid text");
        let baseline = Baseline::learn(&pass, &base).expect("enough programme");
        let mut expected = base.clone();
        for row in &baseline.rows {
            expected.learn(row.id, row.learned.expect("all were measured"));
        }
        assert_eq!(baseline.limits, expected);
        assert_eq!(baseline.limits.rows()[0].hits, 3);
        assert_eq!(baseline.limits.numbers.slip_ms, 80.0);
    }

    #[test]
    fn too_little_programme_says_how_much_is_needed() {
        let message = learned_of(healthy, 3_000).expect_err("40 s");
        assert!(
            message.contains("40 s of programme") && message.contains("60 s"),
            "{message}"
        );
    }

    #[test]
    fn programme_without_timing_says_what_to_capture() {
        let dark = |field| {
            let mut readings = healthy(field);
            readings.line_timing.error_rms = None;
            if field > 600 {
                readings.flagging.offset = None;
            }
            readings
        };
        let message = learned_of(dark, FIELDS).expect_err("nothing to learn");
        assert!(message.contains("5 s of its 80 s"), "{message}");
        assert!(message.contains("full width"), "{message}");
    }

    #[test]
    fn a_row_that_was_seldom_measured_stays_while_others_are_learned() {
        let dark_top = |field| {
            let mut readings = healthy(field);
            readings.flagging.offset = None;
            readings
        };
        let baseline = learned_of(dark_top, FIELDS).expect("wobble was measured");
        let flagging = baseline.row("flagging").expect("a learnable row");
        assert_eq!((flagging.learned, flagging.fields), (None, 0));
        assert_eq!(
            baseline.limits.of_kind(Kind::Flagging),
            Limits::default().of_kind(Kind::Flagging)
        );
    }

    #[test]
    fn a_pass_that_was_not_closed_is_refused() {
        let scratch = tempfile::tempdir().expect("a temporary directory");
        let pass = recorded(&scratch.path().join("a.pass"), healthy, FIELDS, false);
        let error = Baseline::learn(&pass, &Limits::default()).expect_err("no end");
        assert!(error.to_string().contains("not closed"), "{error}");
    }
}
