//! The vertical blanking bar of a rolling picture.
//!
//! In: thumbnails. Out: the row where a black bar right across stands, with picture above and below it. A picture that
//! is held shows none; letterbox bars touch the top or the bottom; a bar within the picture's own content stands still.
//!
//! Does not know: whether the bar moves; that takes several fields.

use super::thumbnail::{BLOCK, Thumbnail};

/// Rows the bar is high: 20 to 25 lines of vertical blanking, more or less with what the box makes of it.
const BAR_ROWS: std::ops::RangeInclusive<usize> = 10..=40;

/// Rows of picture that must be seen above and below.
const PICTURE_ROWS: usize = 12;

/// Codes a bar's row spans at most.
const FLAT_CODES: u16 = 4;

/// Codes over nominal black up to which a row is blanking.
const BLACK_CODES: u16 = 12;

/// The first row of the bar, where there is exactly one.
pub(super) fn find_bar(thumbnail: &Thumbnail, black_code: u16) -> Option<usize> {
    let rows = thumbnail.rows().len();
    let mut bar = None;
    let mut first = None;
    for (row, sums) in thumbnail.rows().enumerate() {
        match (is_blanking(sums, black_code), first) {
            (true, None) => first = Some(row),
            (false, Some(start)) => {
                first = None;
                if start >= PICTURE_ROWS
                    && rows - row >= PICTURE_ROWS
                    && BAR_ROWS.contains(&(row - start))
                {
                    if bar.is_some() {
                        return None;
                    }
                    bar = Some(start);
                }
            }
            _ => {}
        }
    }
    bar
}

fn is_blanking(sums: &[u16], black_code: u16) -> bool {
    let (lowest, highest) = sums.iter().fold((u16::MAX, 0), |(lowest, highest), sum| {
        (lowest.min(*sum), highest.max(*sum))
    });
    highest <= (black_code + BLACK_CODES) * BLOCK as u16
        && highest - lowest <= FLAT_CODES * BLOCK as u16
}
