//! Pictures that carry their number: noise that follows from it, under a band of big blocks that spell it out.

/// Bytes of a block: 16 samples of a packed format.
const BLOCK: usize = 32;
/// Rows of the band.
const BAND_ROWS: usize = 16;
/// Bits spelt out: the number, then a check of it, long enough that no other picture passes.
const BITS: usize = NUMBER_BITS + CHECK_BITS;
const NUMBER_BITS: usize = 16;
const CHECK_BITS: usize = 24;
const DARK: u8 = 48;
const LIGHT: u8 = 208;

/// Paints picture number `index` over a buffer whose rows are `row_bytes` long.
pub(crate) fn paint(index: u32, row_bytes: usize, buffer: &mut [u8]) {
    let mut state = u64::from(index)
        .wrapping_add(1)
        .wrapping_mul(0x9e37_79b9_7f4a_7c15);
    for eight in buffer.chunks_exact_mut(8) {
        // Xorshift: quick, and no two numbers share a picture.
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        eight.copy_from_slice(&state.to_le_bytes());
    }
    let code = code(index);
    for row in buffer.chunks_exact_mut(row_bytes).take(BAND_ROWS) {
        for (bit, block) in row.chunks_exact_mut(BLOCK).take(BITS).enumerate() {
            block.fill(if code >> bit & 1 == 1 { LIGHT } else { DARK });
        }
    }
}

/// The number of a picture; `None` when it is none of ours.
pub(crate) fn number(row_bytes: usize, buffer: &[u8]) -> Option<u32> {
    let middle = BAND_ROWS / 2 * row_bytes;
    let bits = (0..BITS).map(|bit| {
        let byte = buffer[middle + bit * BLOCK + BLOCK / 2];
        (byte > u8::midpoint(DARK, LIGHT), bit)
    });
    let read = bits.fold(0, |code, (light, bit)| code | u64::from(light) << bit);
    let index = (read & ((1 << NUMBER_BITS) - 1)) as u32;
    (code(index) == read).then_some(index)
}

fn code(index: u32) -> u64 {
    assert!(
        index >> NUMBER_BITS == 0,
        "{index} is beyond what the band spells"
    );
    let check = u64::from(index)
        .wrapping_add(1)
        .wrapping_mul(0x9e37_79b9_7f4a_7c15)
        >> (64 - CHECK_BITS);
    check << NUMBER_BITS | u64::from(index)
}
