//! Every line's timing of one field in a few hundred bytes.
//!
//! In: a [`LineTrace`] and what it was read from. Out: bytes, and the trace back from them. Layout, in order:
//!
//! | bytes | what |
//! |---|---|
//! | 1 | layout version, 1 |
//! | 1 | basis: 0 none, 1 edge, 2 content |
//! | 2 | rows of the field, low byte first |
//! | ⌈rows/8⌉ | one bit a row, low bit first: the row has a timing |
//! | 1–5 each | of each row with a timing: its displacement less that of the one before it, in tenths of a nanosecond, zigzag, seven bits a byte, low bits first, high bit set on all but the last |
//! | 1 each | of each row with a timing: its sigma as `code` of 0.1 ns · 2^(code/16) |
//!
//! Displacement keeps half a tenth of a nanosecond (under a thousandth of a sample), sigma 2.2 % from 0.1 ns to 6 µs.
//!
//! Does not know: files, fields or what a good timing is.

use crate::measures::line_timing::{Basis, LineShift, LineTrace, MAX_ROWS};
use crate::units::Nanos;

/// Version of the layout.
const LAYOUT: u8 = 1;

/// Displacement is kept in steps of this many ns.
const STEP_NS: f64 = 0.1;

/// Sigma of code 0, ns; smaller ones become this.
const LEAST_SIGMA_NS: f64 = 0.1;

/// Sigma codes in a doubling.
const CODES_AN_OCTAVE: f64 = 16.0;

/// Displacements beyond ±10 ms (150 lines) are cut off there: deltas stay within five bytes.
const MOST_STEPS: f64 = 1e8;

/// Bytes before the bit mask.
const HEAD_BYTES: usize = 4;

/// Writes a trace over what `out` held; nothing is allocated once `out` has grown to its size.
pub(crate) fn pack(trace: &LineTrace, basis: Basis, out: &mut Vec<u8>) {
    out.clear();
    let rows = trace.rows() as u16;
    out.extend([LAYOUT, basis_code(basis)]);
    out.extend(rows.to_le_bytes());
    out.resize(HEAD_BYTES + trace.rows().div_ceil(8), 0);
    let mut before = 0;
    for (row, shift) in finite(trace) {
        out[HEAD_BYTES + row / 8] |= 1 << (row % 8);
        let steps = (shift.displacement.0 / STEP_NS).clamp(-MOST_STEPS, MOST_STEPS);
        let steps = steps.round() as i64;
        push_varint(out, steps - before);
        before = steps;
    }
    out.extend(finite(trace).map(|(_, shift)| sigma_code(shift.sigma)));
}

/// Rows whose displacement is a number.
fn finite(trace: &LineTrace) -> impl Iterator<Item = (usize, LineShift)> + '_ {
    trace
        .usable()
        .filter(|(_, shift)| shift.displacement.0.is_finite())
}

/// The trace that was packed, and its basis; `None` when the bytes are of no known layout or contradict themselves.
pub(crate) fn unpack(bytes: &[u8]) -> Option<(LineTrace, Basis)> {
    let (&[layout, basis, low, high], rest) = bytes.split_first_chunk()?;
    let rows = usize::from(u16::from_le_bytes([low, high]));
    if layout != LAYOUT || rows > MAX_ROWS {
        return None;
    }
    let (mask, mut rest) = rest.split_at_checked(rows.div_ceil(8))?;
    let shown = |row: &usize| mask[row / 8] >> (row % 8) & 1 == 1;
    let sigmas_at = rest.len().checked_sub((0..rows).filter(shown).count())?;
    let sigmas = &rest[sigmas_at..];
    rest = &rest[..sigmas_at];
    let mut trace = LineTrace::blank(rows);
    let mut steps = 0_i64;
    for (row, &code) in (0..rows).filter(shown).zip(sigmas) {
        steps += take_varint(&mut rest)?;
        let shift = LineShift {
            displacement: Nanos(steps as f64 * STEP_NS),
            sigma: sigma_of_code(code),
        };
        trace.set(row, shift);
    }
    rest.is_empty().then_some((trace, basis_of_code(basis)?))
}

fn basis_code(basis: Basis) -> u8 {
    match basis {
        Basis::None => 0,
        Basis::Edge => 1,
        Basis::Content => 2,
    }
}

fn basis_of_code(code: u8) -> Option<Basis> {
    [Basis::None, Basis::Edge, Basis::Content]
        .get(usize::from(code))
        .copied()
}

fn sigma_code(sigma: Nanos) -> u8 {
    (CODES_AN_OCTAVE * (sigma.0 / LEAST_SIGMA_NS).log2())
        .round()
        .clamp(0.0, 255.0) as u8
}

fn sigma_of_code(code: u8) -> Nanos {
    Nanos(LEAST_SIGMA_NS * (f64::from(code) / CODES_AN_OCTAVE).exp2())
}

/// Small numbers of either sign become small numbers, seven bits a byte.
fn push_varint(out: &mut Vec<u8>, value: i64) {
    let mut zigzag = ((value << 1) ^ (value >> 63)).cast_unsigned();
    while zigzag >= 0x80 {
        out.push(zigzag as u8 | 0x80);
        zigzag >>= 7;
    }
    out.push(zigzag as u8);
}

/// Takes a number of at most five bytes off the front.
fn take_varint(bytes: &mut &[u8]) -> Option<i64> {
    let mut zigzag = 0_u64;
    for shift in (0..35).step_by(7) {
        let (&byte, rest) = bytes.split_first()?;
        *bytes = rest;
        zigzag |= u64::from(byte & 0x7f) << shift;
        if byte < 0x80 {
            return Some((zigzag >> 1).cast_signed() ^ -(zigzag & 1).cast_signed());
        }
    }
    None
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn trace_of(rows: &[Option<(f64, f64)>]) -> LineTrace {
        let mut trace = LineTrace::blank(rows.len());
        for (row, shown) in rows.iter().enumerate() {
            if let Some((displacement, sigma)) = *shown {
                let shift = LineShift {
                    displacement: Nanos(displacement),
                    sigma: Nanos(sigma),
                };
                trace.set(row, shift);
            }
        }
        trace
    }

    fn packed(trace: &LineTrace) -> Vec<u8> {
        let mut bytes = vec![9; 3];
        pack(trace, Basis::Edge, &mut bytes);
        bytes
    }

    #[test]
    fn the_layout_is_the_documented_one() {
        // 12.8 ns = 128 steps, zigzag 256 = 0x80 0x02; then −0.1 ns on: zigzag 1. Sigmas 0.1 and 0.2 ns: codes 0, 16
        let bytes = packed(&trace_of(&[Some((12.8, 0.1)), None, Some((12.7, 0.2))]));
        assert_eq!(bytes, [1, 1, 3, 0, 0b101, 0x80, 0x02, 0x01, 0, 16]);
    }

    #[test]
    fn a_field_of_ordinary_wobble_takes_three_bytes_a_line() {
        let rows: Vec<_> = (0..240)
            .map(|row| Some((300.0 * f64::from(row * 37 % 101) / 101.0, 4.0)))
            .collect();
        assert!(packed(&trace_of(&rows)).len() <= 4 + 30 + 3 * 240);
    }

    #[test]
    fn bytes_that_contradict_themselves_are_refused() {
        let good = packed(&trace_of(&[Some((5.0, 1.0)), Some((900.0, 1.0))]));
        assert!(unpack(&good).is_some());
        for end in 0..good.len() {
            assert!(unpack(&good[..end]).is_none(), "cut at {end}");
        }
        let mut longer = good.clone();
        longer.insert(5, 0);
        assert!(unpack(&longer).is_none());
        for (at, wrong) in [(0, 2), (1, 3), (3, 255)] {
            let mut bad = good.clone();
            bad[at] = wrong;
            assert!(unpack(&bad).is_none(), "byte {at}");
        }
        assert!(unpack(&[1, 1, 1, 0, 1, 0xff, 0xff, 0xff, 0xff, 0xff, 1, 0]).is_none());
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn traces_come_back_within_half_a_step(rows in prop::collection::vec(
            prop::option::of((-64e3_f64..64e3, 0.1_f64..6000.0)), 0..=MAX_ROWS,
        )) {
            let trace = trace_of(&rows);
            let (back, basis) = unpack(&packed(&trace)).expect("what was packed");
            prop_assert_eq!(basis, Basis::Edge);
            prop_assert_eq!(back.rows(), trace.rows());
            for row in 0..trace.rows() {
                match (trace.get(row), back.get(row)) {
                    (None, None) => {}
                    (Some(wanted), Some(found)) => {
                        // f32 holds 64 µs to 0.004 ns
                        prop_assert!((wanted.displacement - found.displacement).0.abs() < 0.051 + 0.008);
                        prop_assert!((found.sigma / wanted.sigma).log2().abs() < 0.51 / CODES_AN_OCTAVE);
                    }
                    other => prop_assert!(false, "row {row}: {other:?}"),
                }
            }
        }

        #[test]
        fn any_bytes_are_read_or_refused(bytes in prop::collection::vec(any::<u8>(), 0..900)) {
            if let Some((trace, _)) = unpack(&bytes) {
                prop_assert!(trace.rows() <= MAX_ROWS);
            }
        }
    }
}
