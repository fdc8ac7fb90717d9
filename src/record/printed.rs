//! Fingerprints of about a second in a kilobyte or two.
//!
//! In: fields with their [`Fingerprint`]s. Out: bytes, and the same back from them; the layout stands in
//! `migrations/0004_fingerprints.sql`. Written block by block over time, because a block changes little from field to field.
//!
//! Does not know: files, or what fingerprints are for.

use std::io::{Read as _, Write as _};

use flate2::Compression;
use flate2::read::ZlibDecoder;
use flate2::write::ZlibEncoder;

use crate::measures::fingerprint::{CHROMA_CELLS, ChromaMeans, Fingerprint, LUMA_CELLS};
use crate::timecode::FieldIndex;

/// Version of the layout.
const LAYOUT: u8 = 1;

/// A field and its fingerprint.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct FieldPrint {
    /// Which field.
    pub field: FieldIndex,
    /// Its fingerprint.
    pub print: Fingerprint,
}

/// Fields in one row at most: a few seconds, where the disk was slow.
pub(super) const MOST_FIELDS: usize = 256;

/// More than the longest row takes unpacked; damage beyond it is not read.
const MOST_BYTES: u64 = (MOST_FIELDS * (8 + LUMA_CELLS + 6 * CHROMA_CELLS)) as u64;

/// Packs the fields of one row.
///
/// # Panics
/// When there are more than [`MOST_FIELDS`].
pub(super) fn pack(prints: &[FieldPrint]) -> Vec<u8> {
    assert!(prints.len() <= MOST_FIELDS);
    let mut plain = vec![LAYOUT];
    plain.extend((prints.len() as u16).to_le_bytes());
    let mut before = prints.first().map_or(0, |first| first.field.0);
    for FieldPrint { field, print } in prints {
        plain.push(u8::from(print.chroma.is_some()));
        push_varint(&mut plain, field.0 - before);
        before = field.0;
    }
    for cell in 0..LUMA_CELLS {
        for (at, one) in prints.iter().enumerate() {
            let earlier = at
                .checked_sub(2)
                .map_or(0, |at| prints[at].print.luma[cell]);
            plain.push(one.print.luma[cell].wrapping_sub(earlier));
        }
    }
    for plane in [blue, red] {
        for cell in 0..CHROMA_CELLS {
            let mut earlier = [0; 2];
            for (at, chroma) in coloured(prints).enumerate() {
                let steps = i32::from(plane(chroma)[cell]);
                let delta = steps - earlier[at % 2];
                earlier[at % 2] = steps;
                push_varint(
                    &mut plain,
                    u64::from(((delta << 1) ^ (delta >> 31)).cast_unsigned()),
                );
            }
        }
    }
    let mut encoder = ZlibEncoder::new(Vec::new(), Compression::new(4));
    let written = encoder.write_all(&plain).and_then(|()| encoder.finish());
    written.expect("memory takes what is written to it")
}

fn coloured(prints: &[FieldPrint]) -> impl Iterator<Item = &ChromaMeans> {
    prints.iter().filter_map(|one| one.print.chroma.as_ref())
}

fn blue(chroma: &ChromaMeans) -> &[i16; CHROMA_CELLS] {
    &chroma.cb
}

fn red(chroma: &ChromaMeans) -> &[i16; CHROMA_CELLS] {
    &chroma.cr
}

/// What was packed, of a row that begins at `start`; `None` where the bytes contradict themselves.
pub(super) fn unpack(start: FieldIndex, bytes: &[u8]) -> Option<Vec<FieldPrint>> {
    let mut plain = Vec::new();
    let decoder = ZlibDecoder::new(bytes);
    decoder.take(MOST_BYTES).read_to_end(&mut plain).ok()?;
    let (&[layout, low, high], mut rest) = plain.split_first_chunk()?;
    let count = usize::from(u16::from_le_bytes([low, high]));
    if layout != LAYOUT || count > MOST_FIELDS {
        return None;
    }
    let blank = ChromaMeans {
        cb: [0; CHROMA_CELLS],
        cr: [0; CHROMA_CELLS],
    };
    let mut prints = Vec::with_capacity(count);
    let mut field = start.0;
    for _ in 0..count {
        let (&has_colour, left) = rest.split_first()?;
        rest = left;
        field = field.checked_add(take_varint(&mut rest)?)?;
        prints.push(FieldPrint {
            field: FieldIndex(field),
            print: Fingerprint {
                luma: [0; LUMA_CELLS],
                chroma: (has_colour == 1).then_some(blank),
            },
        });
    }
    let (luma, mut rest) = rest.split_at_checked(LUMA_CELLS * count)?;
    for cell in 0..LUMA_CELLS {
        for at in 0..count {
            let earlier = at
                .checked_sub(2)
                .map_or(0, |at| prints[at].print.luma[cell]);
            prints[at].print.luma[cell] = luma[cell * count + at].wrapping_add(earlier);
        }
    }
    for is_red in [false, true] {
        for cell in 0..CHROMA_CELLS {
            let mut earlier = [0_i16; 2];
            let mut at = 0;
            for one in &mut prints {
                let Some(chroma) = &mut one.print.chroma else {
                    continue;
                };
                let zigzag = u32::try_from(take_varint(&mut rest)?).ok()?;
                let delta = (zigzag >> 1).cast_signed() ^ -(zigzag & 1).cast_signed();
                let steps = i16::try_from(i32::from(earlier[at % 2]).checked_add(delta)?).ok()?;
                earlier[at % 2] = steps;
                at += 1;
                let plane = if is_red {
                    &mut chroma.cr
                } else {
                    &mut chroma.cb
                };
                plane[cell] = steps;
            }
        }
    }
    rest.is_empty().then_some(prints)
}

fn push_varint(out: &mut Vec<u8>, mut value: u64) {
    while value >= 0x80 {
        out.push(value as u8 | 0x80);
        value >>= 7;
    }
    out.push(value as u8);
}

/// Takes a number of at most nine bytes off the front.
fn take_varint(bytes: &mut &[u8]) -> Option<u64> {
    let mut value = 0;
    for shift in (0..63).step_by(7) {
        let (&byte, rest) = bytes.split_first()?;
        *bytes = rest;
        value |= u64::from(byte & 0x7f) << shift;
        if byte < 0x80 {
            return Some(value);
        }
    }
    None
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn any_print() -> impl Strategy<Value = Fingerprint> {
        let colour = (
            prop::collection::vec(-1024_i16..=1016, CHROMA_CELLS),
            prop::collection::vec(-1024_i16..=1016, CHROMA_CELLS),
        );
        let luma = prop::collection::vec(any::<u8>(), LUMA_CELLS);
        (luma, prop::option::of(colour)).prop_map(|(luma, colour)| Fingerprint {
            luma: luma.try_into().expect("as many"),
            chroma: colour.map(|(cb, cr)| ChromaMeans {
                cb: cb.try_into().expect("as many"),
                cr: cr.try_into().expect("as many"),
            }),
        })
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, cases: 40, ..ProptestConfig::default() })]

        #[test]
        fn fingerprints_come_back_as_they_were(
            start in 0_u64..1 << 40,
            prints in prop::collection::vec((0_u64..1 << 33, any_print()), 0..20),
        ) {
            let mut field = start;
            let mut fields = Vec::new();
            for (step, print) in prints {
                if !fields.is_empty() {
                    field += step;
                }
                fields.push(FieldPrint { field: FieldIndex(field), print });
            }
            prop_assert_eq!(unpack(FieldIndex(start), &pack(&fields)), Some(fields));
        }

        #[test]
        fn any_bytes_are_read_or_refused(bytes in prop::collection::vec(any::<u8>(), 0..400)) {
            let mut packed = ZlibEncoder::new(Vec::new(), Compression::fast());
            packed.write_all(&bytes).expect("memory");
            let packed = packed.finish().expect("memory");
            for bytes in [bytes, packed] {
                if let Some(prints) = unpack(FieldIndex(u64::MAX), &bytes) {
                    prop_assert!(prints.len() <= MOST_FIELDS);
                }
            }
        }
    }

    #[test]
    fn a_quiet_second_takes_a_few_kilobytes() {
        let fields: Vec<FieldPrint> = (0..60)
            .map(|field| FieldPrint {
                field: FieldIndex(field),
                print: Fingerprint {
                    luma: std::array::from_fn(|cell| (cell + (field as usize * cell) % 2) as u8),
                    chroma: Some(ChromaMeans {
                        cb: [(field % 3) as i16; CHROMA_CELLS],
                        cr: [-5; CHROMA_CELLS],
                    }),
                },
            })
            .collect();
        assert!(pack(&fields).len() < 4000, "{}", pack(&fields).len());
    }
}
