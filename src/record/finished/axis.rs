//! Seconds of a pass against its fields and its programme.
//!
//! Does not know: what was measured.

use std::ops::Range;

use crate::alarms::Span;
use crate::fields::FieldPlace;
use crate::record::reader::PerSecond;
use crate::timecode::FieldIndex;
use crate::units::Seconds;

/// Seconds to either side in which a field of a second is looked for: a device clock that is off by 200 ppm has gone so far after
/// six hours.
const DRIFT: u64 = 4;

/// The axis of time.
pub(super) struct Axis<'a> {
    pub(super) spans: &'a [Span],
    pub(super) last: Option<FieldPlace>,
    pub(super) period: f64,
    /// Of each second, the share that is programme.
    shares: Vec<f32>,
}

impl<'a> Axis<'a> {
    pub(super) fn new(spans: &'a [Span], last: Option<FieldPlace>, period: Seconds) -> Self {
        let length = last.map_or(0, |last| last.seconds.0 as usize + 1);
        let mut axis = Self {
            spans,
            last,
            period: period.0,
            shares: vec![0.0; length],
        };
        let ends: Vec<(f64, f64)> = spans.iter().filter_map(|span| axis.ends_of(span)).collect();
        for (from, to) in ends {
            // a span may be stored though no field of it is, and then there may be no seconds at all
            let seconds = axis.shares.iter_mut().enumerate().skip(from as usize);
            for (second, share) in seconds.take_while(|(second, _)| *second as f64 <= to) {
                let (start, end) = (second as f64, second as f64 + 1.0);
                *share += (to.min(end) - from.max(start)).max(0.0) as f32;
            }
        }
        axis
    }

    /// Seconds that the pass reaches into.
    pub(super) fn seconds(&self) -> u64 {
        self.shares.len() as u64
    }

    /// Start and end of a span in seconds; `None` where nothing is stored.
    pub(super) fn ends_of(&self, span: &Span) -> Option<(f64, f64)> {
        let end = span.end.or(self.last)?;
        Some((span.start.seconds.0, end.seconds.0 + self.period))
    }

    /// The share of a second that is programme.
    pub(super) fn share(&self, second: u64) -> f64 {
        let share = usize::try_from(second)
            .ok()
            .and_then(|at| self.shares.get(at));
        share.copied().unwrap_or(0.0).into()
    }

    /// The seconds that are mostly programme, with as many fields as are.
    pub(super) fn programme_of(&self, seconds: &[PerSecond]) -> Vec<PerSecond> {
        let within = seconds.iter().filter_map(|second| {
            let share = self.share(second.second);
            let n = (f64::from(second.n) * share).round() as u32;
            (share >= 0.5 && n > 0).then_some(PerSecond { n, ..*second })
        });
        within.collect()
    }

    /// Fields among which those of a second are.
    pub(super) fn fields_around(&self, second: u64) -> Range<FieldIndex> {
        let field = |seconds: f64| FieldIndex((seconds / self.period) as u64);
        field(second.saturating_sub(DRIFT) as f64)..field((second + DRIFT + 1) as f64)
    }
}
