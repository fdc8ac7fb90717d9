//! A quantity's own usual value in the recording that is playing.

/// Fields before it is known: one second.
const LEARNING_FIELDS: usize = 60;

/// How far the settled value follows a field: by 1 in ten seconds, so that a slow drift is no event and a jump is.
const STEP: f64 = 1.0 / 600.0;

/// The median of the first second, following slowly afterwards: by the sign of the difference, so that no single
/// field counts for more than another.
#[derive(Clone, Copy, Debug)]
pub(super) struct Settled {
    first: [f64; LEARNING_FIELDS],
    seen: usize,
    value: f64,
}

impl Settled {
    pub(super) fn new() -> Self {
        Self {
            first: [0.0; LEARNING_FIELDS],
            seen: 0,
            value: 0.0,
        }
    }

    /// The usual value; `None` while it is being learned.
    pub(super) fn value(&self) -> Option<f64> {
        (self.seen == LEARNING_FIELDS).then_some(self.value)
    }

    /// Takes in a field that is not part of an event.
    pub(super) fn follow(&mut self, value: f64) {
        if self.seen == LEARNING_FIELDS {
            let difference = value - self.value;
            self.value += difference.clamp(-STEP, STEP);
            return;
        }
        self.first[self.seen] = value;
        self.seen += 1;
        if self.seen == LEARNING_FIELDS {
            self.first.sort_by(f64::total_cmp);
            self.value = self.first[LEARNING_FIELDS / 2];
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_first_second_is_learned_and_outliers_do_not_matter() {
        let mut settled = Settled::new();
        for field in 0..LEARNING_FIELDS {
            assert_eq!(settled.value(), None);
            settled.follow(if field % 5 == 0 { 200.0 } else { 6.0 });
        }
        assert_eq!(settled.value(), Some(6.0));
    }

    #[test]
    fn it_follows_a_drift_and_not_a_jump() {
        let mut settled = Settled::new();
        for _ in 0..LEARNING_FIELDS {
            settled.follow(6.0);
        }
        for _ in 0..30 {
            settled.follow(20.0);
        }
        let after_half_a_second = settled.value().expect("learned");
        assert!((after_half_a_second - 6.05).abs() < 1e-9);
    }
}
