//! `v4l2_std_id` bits: their names, their line counts, and which to ask a device for.
//!
//! Does not know: any device.

use crate::sources::StandardWish;
use crate::standard::Standard;

/// One colour system: its name and bits (videodev2.h, `V4L2_STD_*`).
struct System {
    name: &'static str,
    bits: u64,
}

const SYSTEMS: &[System] = &[
    system("NTSC-M", 0x1000),
    system("NTSC-M-JP", 0x2000),
    system("NTSC-M-KR", 0x8000),
    system("NTSC-443", 0x4000),
    system("PAL", 0x00ff),
    system("PAL-M", 0x0100),
    system("PAL-N", 0x0200),
    system("PAL-Nc", 0x0400),
    system("PAL-60", 0x0800),
    system("SECAM", 0x00ff_0000),
];

/// NTSC with its own subcarrier: M, Japan, Korea (`V4L2_STD_NTSC`).
const NTSC: u64 = 0xb000;
/// B/G, H, I, D/K (`V4L2_STD_PAL`).
const PAL: u64 = 0x00ff;
/// All systems of 525 lines (`V4L2_STD_525_60`).
const LINES_525: u64 = 0xf900;
/// All systems of 625 lines (`V4L2_STD_625_50`).
const LINES_625: u64 = 0x00ff_06ff;

const fn system(name: &'static str, bits: u64) -> System {
    System { name, bits }
}

/// All systems of a scanning standard.
fn all_bits(lines: Standard) -> u64 {
    match lines {
        Standard::Lines525 => LINES_525,
        Standard::Lines625 => LINES_625,
    }
}

/// The scanning standard of some bits; `None` where they are of neither or of both.
pub(super) fn lines(bits: u64) -> Option<Standard> {
    match (bits & LINES_525 != 0, bits & LINES_625 != 0) {
        (true, false) => Some(Standard::Lines525),
        (false, true) => Some(Standard::Lines625),
        _ => None,
    }
}

/// The systems some bits name, as `NTSC-M, PAL-60`; `none` for no known bit.
pub(super) fn names(bits: u64) -> String {
    let known: Vec<_> = SYSTEMS
        .iter()
        .filter(|system| system.bits & bits != 0)
        .map(|system| system.name)
        .collect();
    if known.is_empty() {
        "none".to_owned()
    } else {
        known.join(", ")
    }
}

/// What to ask a device for, and what the operator should know of the choice.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Choice {
    /// Bits to set; `None` leaves the device as it is.
    pub(super) set: Option<u64>,
    /// One sentence, where there is something to say.
    pub(super) remark: Option<String>,
}

impl Choice {
    fn keep(remark: Option<String>) -> Self {
        Self { set: None, remark }
    }

    fn set(bits: u64) -> Self {
        Self {
            set: Some(bits),
            remark: None,
        }
    }
}

/// What a device says of its standards.
#[derive(Clone, Copy, Debug)]
pub(super) struct Offer {
    /// What the input takes.
    pub(super) supported: u64,
    /// What is in force.
    pub(super) current: u64,
    /// What the signal may be; `None` where the device cannot detect, 0 where it sees nothing.
    pub(super) detected: Option<u64>,
}

/// The standard to ask for.
pub(super) fn choose(wish: StandardWish, offer: Offer) -> Choice {
    match wish {
        StandardWish::Auto => choose_detected(offer),
        StandardWish::Lines(wanted) if lines(offer.current) == Some(wanted) => Choice::keep(None),
        StandardWish::Lines(wanted) => Choice::set(
            usual(all_bits(wanted) & offer.supported).unwrap_or_else(|| usual_bits(wanted)),
        ),
        StandardWish::Colour { bits, .. } if offer.current != 0 && offer.current & !bits == 0 => {
            Choice::keep(None)
        }
        StandardWish::Colour { bits, .. } => Choice::set(bits),
    }
}

fn choose_detected(offer: Offer) -> Choice {
    let kept = names(offer.current);
    let Some(detected) = offer.detected else {
        return Choice::keep(Some(format!(
            "The device cannot detect the standard; {kept} is kept. `--standard` sets another."
        )));
    };
    if detected == 0 {
        return Choice::keep(Some(format!(
            "No signal to detect the standard from; {kept} is kept. `--standard` sets another."
        )));
    }
    if detected & offer.current != 0 {
        let sure = lines(detected).is_some();
        let remark = (!sure).then(|| {
            format!("The device could not tell 525 from 625 lines; {kept} is kept. `--standard` sets another.")
        });
        return Choice::keep(remark);
    }
    Choice::set(usual(detected).unwrap_or(detected))
}

/// The usual systems among several.
fn usual(bits: u64) -> Option<u64> {
    [bits & NTSC, bits & PAL, bits]
        .into_iter()
        .find(|&some| some != 0)
}

fn usual_bits(lines: Standard) -> u64 {
    match lines {
        Standard::Lines525 => NTSC,
        Standard::Lines625 => PAL,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const EVERYTHING: u64 = LINES_525 | LINES_625;

    fn offer(current: u64, detected: Option<u64>) -> Offer {
        Offer {
            supported: EVERYTHING,
            current,
            detected,
        }
    }

    #[test]
    fn bits_are_named_and_counted_as_the_kernel_has_them() {
        // videodev2.h, `v4l2_std_id`
        let cases = [
            (0x1000, "NTSC-M", Standard::Lines525),
            (0x2000, "NTSC-M-JP", Standard::Lines525),
            (0x4000, "NTSC-443", Standard::Lines525),
            (0x8000, "NTSC-M-KR", Standard::Lines525),
            (0x0800, "PAL-60", Standard::Lines525),
            (0x0100, "PAL-M", Standard::Lines525),
            (0x00ff, "PAL", Standard::Lines625),
            (0x0001, "PAL", Standard::Lines625),
            (0x0400, "PAL-Nc", Standard::Lines625),
            (0x0040_0000, "SECAM", Standard::Lines625),
        ];
        for (bits, name, standard) in cases {
            assert_eq!(names(bits), name);
            assert_eq!(lines(bits), Some(standard), "{name}");
        }
        assert_eq!(
            LINES_525,
            0x1000 | 0x2000 | 0x4000 | 0x8000 | 0x0800 | 0x0100
        );
    }

    #[test]
    fn bits_of_both_or_of_neither_have_no_line_count() {
        assert_eq!(lines(0xffff), None);
        assert_eq!(lines(0), None);
        assert_eq!(names(0), "none");
    }

    #[test]
    fn a_detected_standard_is_set_only_when_another_is_in_force() {
        assert_eq!(
            choose(StandardWish::Auto, offer(0x1000, Some(0xb000))),
            Choice::keep(None)
        );
        assert_eq!(
            choose(StandardWish::Auto, offer(0x1000, Some(0xff))),
            Choice::set(0xff)
        );
        assert_eq!(
            choose(StandardWish::Auto, offer(0xff, Some(0x4800))),
            Choice::set(0x4800)
        );
    }

    #[test]
    fn what_cannot_be_detected_is_kept_with_a_remark() {
        for detected in [None, Some(0), Some(EVERYTHING)] {
            let choice = choose(StandardWish::Auto, offer(0xff, detected));
            assert_eq!(choice.set, None);
            let remark = choice.remark.expect("the operator should know");
            assert!(remark.contains("PAL is kept"), "{remark}");
        }
    }

    #[test]
    fn a_wish_for_lines_keeps_a_colour_system_that_has_them() {
        let wish = StandardWish::Lines(Standard::Lines525);
        assert_eq!(choose(wish, offer(0x0800, None)), Choice::keep(None));
        assert_eq!(choose(wish, offer(0xff, None)), Choice::set(NTSC));
        let narrow = Offer {
            supported: 0x1000 | 0xff,
            ..offer(0xff, None)
        };
        assert_eq!(choose(wish, narrow), Choice::set(0x1000));
    }

    #[test]
    fn a_named_system_is_set_unless_it_is_exactly_in_force() {
        let wish = StandardWish::Colour {
            name: "pal-60",
            bits: 0x0800,
            lines: Standard::Lines525,
        };
        assert_eq!(choose(wish, offer(0xf900, None)), Choice::set(0x0800));
        assert_eq!(choose(wish, offer(0x0800, None)), Choice::keep(None));
    }
}
