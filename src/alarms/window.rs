//! The last few usable fields of a k-of-n rule.

use std::collections::VecDeque;

use crate::fields::FieldPlace;

/// One usable field as a rule sees it.
#[derive(Clone, Copy, Debug)]
pub(super) struct Seen {
    /// First field it speaks of: the field itself, or the first of those lost before it.
    pub(super) from: FieldPlace,
    /// Larger is worse.
    pub(super) badness: f64,
    /// The value itself.
    pub(super) value: f64,
    /// Beyond the limit.
    pub(super) exceeds: bool,
}

/// The last `of` usable fields; nothing is allocated after it was made.
#[derive(Debug)]
pub(super) struct Window {
    fields: VecDeque<Seen>,
    of: usize,
    needed: usize,
    hits: usize,
}

impl Window {
    pub(super) fn new(needed: u32, of: u32) -> Self {
        let of = of as usize;
        Self {
            fields: VecDeque::with_capacity(of),
            of,
            needed: needed as usize,
            hits: 0,
        }
    }

    /// Takes in a field; whether enough of the last ones exceed.
    pub(super) fn push(&mut self, seen: Seen) -> bool {
        if self.fields.len() == self.of
            && let Some(oldest) = self.fields.pop_front()
        {
            self.hits -= usize::from(oldest.exceeds);
        }
        self.fields.push_back(seen);
        self.hits += usize::from(seen.exceeds);
        self.hits >= self.needed
    }

    /// The fields that exceed, oldest first.
    pub(super) fn hits(&self) -> impl Iterator<Item = &Seen> {
        self.fields.iter().filter(|seen| seen.exceeds)
    }

    /// The badness that as many fields as the rule asks for reach, if it is over `level`: one wild field is no trend.
    pub(super) fn reached_over(&self, level: f64) -> Option<f64> {
        let over = || {
            self.fields
                .iter()
                .map(|seen| seen.badness)
                .filter(|&b| b > level)
        };
        (over().count() >= self.needed).then(|| over().fold(f64::INFINITY, f64::min))
    }

    pub(super) fn clear(&mut self) {
        self.fields.clear();
        self.hits = 0;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::alarms::script::place_at;

    fn window_of(pattern: &str) -> (Window, Vec<bool>) {
        let mut window = Window::new(2, 3);
        let complete = pattern.bytes().enumerate().map(|(at, byte)| {
            let badness = f64::from(byte - b'0');
            window.push(Seen {
                from: place_at(at as u64),
                badness,
                value: badness,
                exceeds: badness > 0.0,
            })
        });
        let complete = complete.collect();
        (window, complete)
    }

    #[test]
    fn hits_are_counted_over_the_last_fields_only() {
        let (window, complete) = window_of("100101");
        assert_eq!(complete, [false, false, false, false, false, true]);
        let first = window.hits().next().expect("a hit").from;
        assert_eq!(first, place_at(3));
    }

    #[test]
    fn a_level_is_reached_by_as_many_fields_as_the_rule_asks_for() {
        assert_eq!(window_of("192").0.reached_over(1.0), Some(2.0));
        assert_eq!(window_of("191").0.reached_over(1.0), None);
    }
}
