//! A pass cut into sections where the operator changed a setting.
//!
//! In: rows, and marks that say `setting changed: …`. Out: a [`Section`] each, with the middle of every number over its
//! programme. A pass without such marks has none.
//!
//! Does not know: what a setting is.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::{Figures, Row, Statistics};
use crate::alarms::Programme;
use crate::limits::Numbers;
use crate::timecode::FieldIndex;

/// How a mark begins that tells of a changed setting.
pub const SETTING_CHANGED: &str = "setting changed:";

/// Most sections kept apart; the last one goes on.
const MOST: usize = 32;

/// Whether a mark tells of a changed setting.
#[must_use]
pub fn is_setting_changed(mark: &str) -> bool {
    let start = mark.trim_start().get(..SETTING_CHANGED.len());
    start.is_some_and(|start| start.eq_ignore_ascii_case(SETTING_CHANGED))
}

/// A stretch of pass with one setting.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Section {
    /// First field.
    pub start_field: FieldIndex,
    /// What was changed, as marked; empty for the start of the pass.
    pub changed: String,
    /// Fields of programme.
    pub fields: u64,
    /// The middle of each quantity that is a number, over programme.
    pub medians: BTreeMap<String, f64>,
}

/// The sections of a pass in progress.
#[derive(Default)]
pub struct Sections {
    parts: Vec<Part>,
}

struct Part {
    start: FieldIndex,
    changed: String,
    statistics: Statistics,
}

impl Sections {
    /// A setting was changed at a field; `whole` is what was seen of the pass so far.
    pub fn begin(&mut self, start: FieldIndex, mark: &str, whole: &Statistics, numbers: &Numbers) {
        if self.parts.len() >= MOST {
            return;
        }
        if self.parts.is_empty() {
            self.parts.push(Part {
                start: FieldIndex(0),
                changed: String::new(),
                statistics: whole.clone(),
            });
        }
        let changed = mark.trim_start().get(SETTING_CHANGED.len()..);
        self.parts.push(Part {
            start,
            changed: changed.unwrap_or_default().trim().to_owned(),
            statistics: Statistics::new(numbers),
        });
    }

    /// Takes in the next field, after `programme` did.
    pub fn observe(&mut self, row: &Row, programme: &Programme) {
        if let Some(part) = self.parts.last_mut() {
            part.statistics.observe(row, programme);
        }
    }

    /// What each comes to.
    #[must_use]
    pub fn sum_up(&self) -> Vec<Section> {
        self.parts.iter().map(Part::sum_up).collect()
    }
}

impl Part {
    fn sum_up(&self) -> Section {
        let medians = self.statistics.figures().filter_map(|(quantity, figures)| {
            let median = match figures {
                Figures::Numbers { median, .. } => median?,
                Figures::Words { .. } => return None,
            };
            Some((quantity.id.to_owned(), median))
        });
        Section {
            start_field: self.start,
            changed: self.changed.clone(),
            fields: self.statistics.programme_fields(),
            medians: medians.collect(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::alarms::script::{Played, exactly, healthy};
    use crate::units::Ire;

    #[test]
    fn a_mark_that_tells_of_a_setting_begins_a_section() {
        assert!(is_setting_changed("Setting changed: brightness 120"));
        assert!(is_setting_changed("  setting changed:"));
        assert!(!is_setting_changed("the setting changed: no"));
        assert!(!is_setting_changed("sun"));
    }

    #[test]
    fn each_section_has_its_own_middle() {
        let numbers = Numbers::default();
        let (mut sections, mut whole) = (Sections::default(), Statistics::new(&numbers));
        let mut played = Played::new();
        for field in 0..600 {
            let mut readings = healthy(field);
            readings.levels.black = exactly(Ire(if field < 300 { 7.5 } else { 0.5 }));
            played.alarms.observe(&readings, &mut played.changes);
            let row = Row::from(&readings);
            whole.observe(&row, played.alarms.programme());
            if field == 299 {
                sections.begin(
                    FieldIndex(300),
                    "setting changed: set-up 7.5",
                    &whole,
                    &numbers,
                );
                continue;
            }
            sections.observe(&row, played.alarms.programme());
        }
        let found = sections.sum_up();
        let black: Vec<f64> = found
            .iter()
            .map(|section| section.medians["levels.black_ire"])
            .collect();
        assert_eq!(found.len(), 2);
        assert!(
            (black[0] - 7.5).abs() < 0.05 && (black[1] - 0.5).abs() < 0.05,
            "{black:?}"
        );
        assert_eq!(found[1].changed, "set-up 7.5");
        assert_eq!(found[0].fields + found[1].fields, 600);
    }

    #[test]
    fn a_pass_without_such_marks_has_no_sections() {
        assert_eq!(Sections::default().sum_up(), []);
    }
}
