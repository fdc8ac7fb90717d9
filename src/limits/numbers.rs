//! Numbers that verdicts, programme spans and the life of events rest on, as a table too.

/// The numbers in force; the table [`NUMBERS`] says what each means and why.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Numbers {
    /// Share of programme under alarm that makes a pass unfit.
    pub alarm_share_pct: f64,
    /// Lost fields every ten minutes that a pass may have.
    pub losses_per_10_min: f64,
    /// Lost fields a short pass may have all the same.
    pub losses_floor_fields: f64,
    /// Slip of the picture against sound.
    pub slip_ms: f64,
    /// Share of programme that must have been measurable.
    pub evidence_pct: f64,
    /// Share of programme that is "throughout".
    pub throughout_pct: f64,
    /// Age at which an event stands.
    pub standing_after_s: f64,
    /// How near to a join an event is said to belong to it.
    pub join_s: f64,
    /// Longest wait for evidence before an event is closed.
    pub hold_s: f64,
    /// The same for standing conditions.
    pub hold_standing_s: f64,
    /// How long a picture must be there to be programme.
    pub start_s: f64,
    /// How long it must be away for the programme to be over.
    pub end_s: f64,
    /// The same where the device has no signal.
    pub signal_end_s: f64,
    /// How long it must be away for the tape to be at its end.
    pub tape_end_s: f64,
}

/// One of the numbers: where it stands in files, what is allowed, and why it is what it is.
#[derive(Clone, Copy, Debug)]
pub struct Number {
    /// Table in files.
    pub group: &'static str,
    /// Key in files; its suffix is the unit.
    pub key: &'static str,
    /// Default.
    pub default: f64,
    /// Least and largest value that make sense.
    pub allowed: (f64, f64),
    /// The reason.
    pub why: &'static str,
    /// Takes it out.
    pub get: fn(&Numbers) -> f64,
    /// Its place.
    pub place: fn(&mut Numbers) -> &mut f64,
}

macro_rules! number {
    ($group:literal, $key:ident, $default:literal, $allowed:expr, $why:literal) => {
        Number {
            group: $group,
            key: stringify!($key),
            default: $default,
            allowed: $allowed,
            why: $why,
            get: |numbers| numbers.$key,
            place: |numbers| &mut numbers.$key,
        }
    };
}

/// Every number, in the order they are printed.
pub const NUMBERS: &[Number] = &[
    number!(
        "verdict",
        alarm_share_pct,
        1.0,
        (0.0, 100.0),
        "unfit if one kind of alarm covers more of the programme: 1 % of an hour is 36 s of faulty picture"
    ),
    number!(
        "verdict",
        losses_per_10_min,
        1.0,
        (0.0, 10_000.0),
        "unfit if more fields are lost: a healthy capture chain loses none in hours, so more points to a cause"
    ),
    number!(
        "verdict",
        losses_floor_fields,
        2.0,
        (0.0, 1_000.0),
        "but one lost frame (two fields) never makes a short pass unfit: it is listed to be played again"
    ),
    number!(
        "verdict",
        slip_ms,
        40.0,
        (1.0, 10_000.0),
        "unfit beyond: sound 45 ms early is where viewers begin to notice (ITU-R BT.1359); one frame of 625 is 40 ms"
    ),
    number!(
        "verdict",
        evidence_pct,
        50.0,
        (0.0, 100.0),
        "undecided if less of the programme could be measured: what was seen no longer speaks for the rest"
    ),
    number!(
        "verdict",
        throughout_pct,
        80.0,
        (1.0, 100.0),
        "levels are wrong throughout if they were over their limit on this much of the programme; scenes vary"
    ),
    number!(
        "events",
        standing_after_s,
        60.0,
        (1.0, 86_400.0),
        "what lasts a minute is a condition of the chain: announced once, then shown quietly"
    ),
    number!(
        "events",
        join_s,
        2.0,
        (0.0, 60.0),
        "servos need about this long to lock again after a join between recordings; faults there are its own"
    ),
    number!(
        "events",
        hold_s,
        30.0,
        (1.0, 86_400.0),
        "an event waits through a dark or flat scene of this length for evidence, then is closed where it was last seen"
    ),
    number!(
        "events",
        hold_standing_s,
        300.0,
        (1.0, 86_400.0),
        "a standing condition waits longer: a title sequence on black does not mend a player"
    ),
    number!(
        "programme",
        start_s,
        1.0,
        (0.1, 30.0),
        "a picture that stays this long is programme, from its first field on"
    ),
    number!(
        "programme",
        end_s,
        2.0,
        (0.1, 30.0),
        "snow or a flat picture for longer ends the programme, from the first such field on; a shorter gap is a fault \
         in it"
    ),
    number!(
        "programme",
        signal_end_s,
        10.0,
        (0.1, 60.0),
        "no signal at all is no tape: a cable that is loose for less loses programme, and that is a fault in it; a player \
         that was stopped and started takes longer"
    ),
    number!(
        "programme",
        tape_end_s,
        20.0,
        (1.0, 86_400.0),
        "nothing recorded for so long after programme: the tape's recording is at its end"
    ),
];

impl Default for Numbers {
    fn default() -> Self {
        let mut numbers = Self {
            alarm_share_pct: 0.0,
            losses_per_10_min: 0.0,
            losses_floor_fields: 0.0,
            slip_ms: 0.0,
            evidence_pct: 0.0,
            throughout_pct: 0.0,
            standing_after_s: 0.0,
            join_s: 0.0,
            hold_s: 0.0,
            hold_standing_s: 0.0,
            start_s: 0.0,
            end_s: 0.0,
            signal_end_s: 0.0,
            tape_end_s: 0.0,
        };
        for number in NUMBERS {
            *(number.place)(&mut numbers) = number.default;
        }
        numbers
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_default_is_allowed_and_lands_in_its_own_place() {
        let mut numbers = Numbers::default();
        for (at, number) in NUMBERS.iter().enumerate() {
            let (least, most) = number.allowed;
            assert!((least..=most).contains(&number.default), "{}", number.key);
            assert_eq!((number.get)(&numbers), number.default);
            *(number.place)(&mut numbers) = -1.0 - at as f64;
        }
        for (at, number) in NUMBERS.iter().enumerate() {
            assert_eq!((number.get)(&numbers), -1.0 - at as f64, "{}", number.key);
        }
        let fields = size_of::<Numbers>() / size_of::<f64>();
        assert_eq!(fields, NUMBERS.len(), "a number without a row would be 0");
    }
}
