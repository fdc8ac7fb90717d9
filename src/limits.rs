//! Every alarm limit, one table, each with its reason; and the numbers that verdicts and programme spans rest on.
//!
//! In: nothing, or the operator's TOML ([`Limits::from_toml`]). Out: the [`Limits`] in force, to be walked row by row,
//! and printed so that they can be edited and given back ([`Limits::to_toml`]).
//!
//! Does not know: readings, events in progress, or how a limit is shown.

use serde_json::{Map, Value as Json, json};

pub use kind::{Kind, Severity};
pub use numbers::{NUMBERS, Number, Numbers};
pub use read::{LimitsError, MOST_BYTES};
pub use table::TABLE;

mod kind;
mod numbers;
mod print;
mod read;
mod table;

/// One alarm limit: when a quantity becomes an event, and when it stops being one.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Limit {
    /// Its name in files; unlike kinds, no two rows share one.
    pub id: &'static str,
    /// What kind of event it makes.
    pub kind: Kind,
    /// Id of the quantity it looks at.
    pub quantity: &'static str,
    /// What a field must show to count.
    pub test: Test,
    /// This many usable fields …
    pub hits: u32,
    /// … of this many make an event.
    pub of: u32,
    /// Which fields are counted together.
    pub among: Among,
    /// What a cut in the picture does to the evidence.
    pub at_cuts: AtCuts,
    /// The event is over after this many usable fields in a row that are back inside `leave`.
    pub clear_after: u32,
    /// How loud.
    pub severity: Severity,
    /// The reason for the numbers.
    pub why: &'static str,
}

/// What a field must show to count towards an event.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Test {
    /// A number beyond a threshold.
    Number(Threshold),
    /// One of these words.
    Words(&'static [&'static str]),
}

/// A threshold with hysteresis.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Threshold {
    /// Which side of it is bad.
    pub side: Side,
    /// A field beyond this counts towards an event.
    pub enter: f64,
    /// A field inside this counts towards its end.
    pub leave: f64,
    /// An event is announced again when it has grown by this much.
    pub worse_step: f64,
    /// Unit of the three numbers, as printed.
    pub unit: &'static str,
    /// Least and largest `enter` that make sense.
    pub allowed: (f64, f64),
}

/// Which side of a threshold is bad.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Side {
    /// Larger values.
    Above,
    /// Smaller values.
    Below,
    /// Larger size, either sign.
    Outside,
    /// Further over the quantity's own settled value.
    Risen,
    /// Further from the quantity's own settled value, either way.
    Moved,
    /// The middle of the last two minutes further over the best two minutes of the recording.
    Rising,
    /// The middle of the last two minutes further under the best two minutes of the recording.
    Sinking,
    /// Anything above, and an event's size is the sum over its fields: things that are counted.
    Counted,
}

/// Which fields are counted together.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Among {
    /// All.
    All,
    /// Those of one parity: the fields of one head.
    SameParity,
}

/// What a cut in the picture does to the evidence of a field.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum AtCuts {
    /// The field counts as any other.
    Judge,
    /// The quantity compares pictures or rests on their content: the first field of either parity after a cut, and a
    /// picture shown again, say nothing new.
    Hold,
}

impl Threshold {
    /// How bad a value is: larger is worse, comparable with [`Threshold::enter_badness`]. `settled` is the quantity's
    /// usual value, asked for by [`Side::Risen`] and [`Side::Moved`] only, or its best, for [`Side::Rising`] and [`Side::Sinking`].
    #[must_use]
    pub fn badness(&self, value: f64, settled: f64) -> f64 {
        match self.side {
            Side::Above | Side::Counted => value,
            Side::Below => -value,
            Side::Outside => value.abs(),
            Side::Risen | Side::Rising => value - settled,
            Side::Sinking => settled - value,
            Side::Moved => (value - settled).abs(),
        }
    }

    /// Badness beyond which a field counts towards an event.
    #[must_use]
    pub fn enter_badness(&self) -> f64 {
        self.signed(self.enter)
    }

    /// Badness up to which a field counts towards the end of one.
    #[must_use]
    pub fn leave_badness(&self) -> f64 {
        self.signed(self.leave)
    }

    /// Whether leaving asks for no more than not having entered.
    #[must_use]
    pub fn leaves_inside(&self) -> bool {
        self.leave_badness() <= self.enter_badness()
    }

    fn signed(&self, value: f64) -> f64 {
        if self.side == Side::Below {
            -value
        } else {
            value
        }
    }
}

impl Limit {
    /// The threshold, unless the limit is about words.
    #[must_use]
    pub fn threshold(&self) -> Option<&Threshold> {
        match &self.test {
            Test::Number(threshold) => Some(threshold),
            Test::Words(_) => None,
        }
    }

    /// Whether its numbers can be learned from a good tape: times judged by their size, which depend on player and chain. A
    /// torn line is one too many on any tape, and what is judged against its settled value learns by itself.
    #[must_use]
    pub fn is_learnable(&self) -> bool {
        self.threshold().is_some_and(|threshold| {
            threshold.unit == "ns" && matches!(threshold.side, Side::Above | Side::Outside)
        })
    }

    /// As the pass file, the summary and reports show it.
    #[must_use]
    pub fn to_json(&self) -> Json {
        let mut row = Map::new();
        row.insert("kind".into(), json!(self.kind));
        row.insert("quantity".into(), json!(self.quantity));
        match self.test {
            Test::Number(threshold) => {
                row.insert("enter".into(), json!(threshold.enter));
                row.insert("leave".into(), json!(threshold.leave));
                row.insert("worse_step".into(), json!(threshold.worse_step));
                row.insert("unit".into(), json!(threshold.unit));
            }
            Test::Words(words) => {
                row.insert("words".into(), json!(words));
            }
        }
        row.insert("hits".into(), json!(self.hits));
        row.insert("of".into(), json!(self.of));
        row.insert("clear_after".into(), json!(self.clear_after));
        row.insert("severity".into(), json!(self.severity));
        Json::Object(row)
    }
}

/// The limits in force.
#[derive(Clone, Debug, PartialEq)]
pub struct Limits {
    rows: Vec<Limit>,
    /// What verdicts, spans and events rest on besides.
    pub numbers: Numbers,
}

impl Default for Limits {
    fn default() -> Self {
        Self {
            rows: TABLE.to_vec(),
            numbers: Numbers::default(),
        }
    }
}

impl Limits {
    /// Every row, in the order they are printed.
    #[must_use]
    pub fn rows(&self) -> &[Limit] {
        &self.rows
    }

    /// The first row that makes events of this kind.
    #[must_use]
    pub fn of_kind(&self, kind: Kind) -> Option<&Limit> {
        self.rows.iter().find(|row| row.kind == kind)
    }

    /// Puts the `enter` of a row where good tapes stay inside, as near as what is allowed lets it, and `leave` as far inside
    /// it as before; gives `enter`, or `None` where there is no such row or none that can be learned.
    pub fn learn(&mut self, id: &str, enter: f64) -> Option<f64> {
        let mut rows = self.rows.iter_mut();
        let row = rows.find(|row| row.id == id && row.is_learnable())?;
        let Test::Number(threshold) = &mut row.test else {
            return None;
        };
        let (least, most) = threshold.allowed;
        let share = threshold.leave / threshold.enter;
        // A tenth of a nanosecond is more than any reading is worth, and prints as it is.
        threshold.enter = tenths(enter).clamp(least, most);
        threshold.leave = (share * threshold.enter * 10.0).floor() / 10.0;
        Some(threshold.enter)
    }

    /// All of it as one object: rows by id, then the numbers by group.
    #[must_use]
    pub fn to_json(&self) -> Json {
        let mut object = Map::new();
        for row in &self.rows {
            object.insert(row.id.into(), row.to_json());
        }
        for number in NUMBERS {
            let group = object
                .entry(number.group)
                .or_insert_with(|| Json::Object(Map::new()));
            if let Json::Object(group) = group {
                group.insert(number.key.into(), json!((number.get)(&self.numbers)));
            }
        }
        Json::Object(object)
    }
}

fn tenths(value: f64) -> f64 {
    (value * 10.0).round() / 10.0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_learned_row_stays_within_what_is_allowed_and_reads_back() {
        let mut limits = Limits::default();
        assert_eq!(limits.learn("wobble", 12.34), Some(12.3));
        assert_eq!(limits.learn("wobble", 0.0), Some(7.4));
        assert_eq!(limits.learn("flagging", 1e9), Some(20_000.0));
        assert_eq!(limits.learn("tear", 3.0), None);
        assert_eq!(limits.learn("no_such_row", 3.0), None);
        let wobble = limits.rows()[0].threshold().expect("a number");
        assert_eq!((wobble.enter, wobble.leave), (7.4, 5.1));
        assert_eq!(Limits::from_toml(&limits.to_toml()).ok(), Some(limits));
    }

    #[test]
    fn what_can_be_learned_can_be_bounded() {
        for row in TABLE.iter().filter(|row| row.is_learnable()) {
            let threshold = row.threshold().expect("a number");
            assert!(
                threshold.allowed.0 > 0.0 && threshold.leave > 0.0,
                "{}",
                row.id
            );
        }
    }

    #[test]
    fn leave_lies_inside_enter_and_enter_inside_what_is_allowed() {
        for row in TABLE {
            let Some(threshold) = row.threshold() else {
                continue;
            };
            assert!(threshold.leaves_inside(), "{}", row.id);
            let (least, most) = threshold.allowed;
            assert!(
                (least..=most).contains(&threshold.enter),
                "{} {threshold:?}",
                row.id
            );
            assert!(threshold.worse_step > 0.0, "{}", row.id);
        }
    }

    #[test]
    fn every_row_can_be_met_and_left_and_says_why() {
        for row in TABLE {
            assert!((1..=row.of).contains(&row.hits), "{}", row.id);
            assert!(row.clear_after > 0, "{}", row.id);
            assert!(row.why.len() > 20, "{}", row.id);
        }
    }

    #[test]
    fn ids_are_unique_and_begin_with_their_kind() {
        for (at, row) in TABLE.iter().enumerate() {
            assert!(TABLE[..at].iter().all(|other| other.id != row.id));
            assert!(row.id.starts_with(row.kind.word()), "{}", row.id);
            assert!(NUMBERS.iter().all(|number| number.group != row.id));
        }
    }

    #[test]
    fn wobble_is_never_asked_for_below_a_tenth_of_a_sample() {
        let limits = Limits::default();
        let wobble = limits.of_kind(Kind::Wobble).and_then(Limit::threshold);
        // 0.1 sample of 13.5 MHz; content, not noise, is the nuisance below that
        assert_eq!(wobble.map(|t| t.allowed.0), Some(7.4));
    }

    #[test]
    fn badness_grows_towards_the_bad_side() {
        let mut threshold = Threshold {
            side: Side::Below,
            enter: -3.0,
            leave: -1.5,
            worse_step: 1.0,
            unit: "IRE",
            allowed: (-10.0, 0.0),
        };
        assert!(threshold.badness(-4.0, 0.0) > threshold.enter_badness());
        assert!(threshold.badness(-1.0, 0.0) < threshold.leave_badness());
        threshold.side = Side::Moved;
        assert_eq!(threshold.badness(226.0, 230.0), 4.0);
        threshold.side = Side::Risen;
        assert_eq!(threshold.badness(226.0, 230.0), -4.0);
    }

    #[test]
    fn the_object_holds_every_row_and_every_number() {
        let object = Limits::default().to_json();
        for row in TABLE {
            assert!(object[row.id]["why"].is_null() && object[row.id]["hits"].is_u64());
        }
        assert_eq!(object["wobble"]["enter"], json!(37.0));
        for number in NUMBERS {
            assert!(object[number.group][number.key].is_f64(), "{}", number.key);
        }
    }
}
