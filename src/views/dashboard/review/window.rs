//! Which stretch of the pass is on the screen.
//!
//! Does not know: what is drawn of it.

use std::ops::Range;

use crate::units::Seconds;

/// The shortest stretch: below it, steps would be finer than the seconds that a pass keeps of itself.
const LEAST_SPAN: f64 = 60.0;

/// The stretch on the screen.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Window {
    from: f64,
    span: f64,
    length: f64,
}

impl Window {
    /// All of a pass.
    pub(super) fn whole(length: Seconds) -> Self {
        let length = length.0.max(1.0);
        Self {
            from: 0.0,
            span: length,
            length,
        }
    }

    /// Seconds on the screen.
    pub(super) fn span(&self) -> f64 {
        self.span
    }

    /// Where it begins and ends.
    pub(super) fn ends(&self) -> (f64, f64) {
        (self.from, self.from + self.span)
    }

    /// Length of the pass.
    pub(super) fn length(&self) -> Seconds {
        Seconds(self.length)
    }

    /// Whether all of the pass is on the screen.
    pub(super) fn is_whole(&self) -> bool {
        self.span >= self.length
    }

    /// Whole seconds that are on it.
    pub(super) fn seconds(&self) -> Range<u64> {
        let (from, to) = self.ends();
        from as u64..to.ceil() as u64
    }

    /// A time inside the pass.
    pub(super) fn within(&self, time: Seconds) -> Seconds {
        Seconds(time.0.clamp(0.0, self.length))
    }

    /// Seconds of one of so many columns.
    pub(super) fn step(&self, columns: u16) -> f64 {
        self.span / f64::from(columns.max(1))
    }

    /// The column of a time; `None` where it is not on the screen.
    pub(super) fn column(&self, time: Seconds, columns: u16) -> Option<u16> {
        let at = (time.0 - self.from) / self.step(columns);
        let inside = (0.0..=f64::from(columns)).contains(&at);
        inside.then(|| (at as u16).min(columns.saturating_sub(1)))
    }

    /// Where a column begins and ends.
    pub(super) fn of_column(&self, column: u16, columns: u16) -> (f64, f64) {
        let step = self.step(columns);
        let from = self.from + f64::from(column) * step;
        (from, from + step)
    }

    /// Longer or shorter by a factor; what is under the cursor stays where it is.
    pub(super) fn zoom(&mut self, factor: f64, cursor: Seconds) {
        let least = LEAST_SPAN.min(self.length);
        let span = (self.span * factor).clamp(least, self.length);
        let share = ((cursor.0 - self.from) / self.span).clamp(0.0, 1.0);
        self.span = span;
        self.begin_at(cursor.0 - share * span);
    }

    /// Moves so that a time is on the screen: as little as it takes, and a tenth more.
    pub(super) fn show(&mut self, time: Seconds) {
        let (from, to) = self.ends();
        let margin = self.span / 10.0;
        if time.0 < from {
            self.begin_at(time.0 - margin);
        } else if time.0 > to {
            self.begin_at(time.0 - self.span + margin);
        }
    }

    fn begin_at(&mut self, from: f64) {
        self.from = from.clamp(0.0, self.length - self.span);
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn zooming_keeps_the_cursor_in_its_column() {
        let mut window = Window::whole(Seconds(21_600.0));
        let cursor = Seconds(7_200.0);
        let before = window.column(cursor, 90);
        for _ in 0..4 {
            window.zoom(0.5, cursor);
            assert_eq!(window.column(cursor, 90), before);
        }
        assert_eq!(window.span(), 1_350.0);
        for _ in 0..9 {
            window.zoom(2.0, cursor);
        }
        assert!(window.is_whole());
    }

    #[test]
    fn a_short_pass_cannot_be_zoomed() {
        let mut window = Window::whole(Seconds(12.0));
        window.zoom(0.5, Seconds(6.0));
        assert!(window.is_whole());
        assert_eq!(window.seconds(), 0..12);
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn whatever_is_done_it_stays_within_the_pass_and_what_is_shown_is_on_it(
            length in 0.0_f64..90_000.0,
            steps in prop::collection::vec((0.0_f64..1.0, any::<bool>()), 0..40),
        ) {
            let mut window = Window::whole(Seconds(length));
            for (share, nearer) in steps {
                let time = Seconds(share * length);
                window.show(time);
                prop_assert!(window.column(time, 67).is_some());
                window.zoom(if nearer { 0.5 } else { 2.0 }, time);
                let (from, to) = window.ends();
                prop_assert!(from >= 0.0 && to <= length.max(1.0) + 1e-6);
            }
        }
    }
}
