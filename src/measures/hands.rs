//! Rows of a field shared out between cores.
//!
//! Rows are worked on in blocks that are the same whoever does them, so what comes out does not depend on how many cores
//! there are, or on which is faster.
//!
//! Does not know: which threads there are. With two hands the caller runs in a pool of threads; `app` sees to that.

/// How many cores work on the rows of a field.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Hands {
    /// The caller's.
    #[default]
    One,
    /// Those of the pool that the caller runs in.
    Pool,
}

/// Values of all rows, the same number a row.
#[derive(Debug)]
pub struct Rows<'a, T> {
    values: &'a mut [T],
    per_row: usize,
}

impl<'a, T> Rows<'a, T> {
    /// `values` of which each row has `per_row`.
    pub fn new(values: &'a mut [T], per_row: usize) -> Self {
        Self { values, per_row }
    }

    fn split(self, row: usize) -> (Self, Self) {
        let (above, below) = self.values.split_at_mut(row * self.per_row);
        (
            Self::new(above, self.per_row),
            Self::new(below, self.per_row),
        )
    }
}

impl Hands {
    /// Does both, at once where there are two.
    pub fn both<A: Send, B: Send>(
        self,
        first: impl FnOnce() -> A + Send,
        second: impl FnOnce() -> B + Send,
    ) -> (A, B) {
        match self {
            Self::One => (first(), second()),
            Self::Pool => rayon::join(first, second),
        }
    }

    /// Does `work` on blocks of `block` rows out of `rows`; it is given the block's first row and what belongs to its rows.
    pub fn share<A: Send, B: Send>(
        self,
        rows: usize,
        block: usize,
        a: Rows<'_, A>,
        b: Rows<'_, B>,
        work: &(impl Fn(usize, &mut [A], &mut [B]) + Sync),
    ) {
        self.share_from(0, rows.div_ceil(block), block, a, b, work);
    }

    fn share_from<A: Send, B: Send>(
        self,
        first: usize,
        blocks: usize,
        block: usize,
        a: Rows<'_, A>,
        b: Rows<'_, B>,
        work: &(impl Fn(usize, &mut [A], &mut [B]) + Sync),
    ) {
        if blocks <= 1 {
            work(first, a.values, b.values);
            return;
        }
        let above = blocks / 2;
        let rows = above * block;
        let ((a, next_a), (b, next_b)) = (a.split(rows), b.split(rows));
        let upper = || self.share_from(first, above, block, a, b, work);
        let lower = || self.share_from(first + rows, blocks - above, block, next_a, next_b, work);
        self.both(upper, lower);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_row_is_worked_on_once_in_the_same_blocks() {
        for hands in [Hands::One, Hands::Pool] {
            for rows in [1, 23, 24, 25, 287, 288] {
                let (mut firsts, mut values) = (vec![usize::MAX; rows], vec![0; 3 * rows]);
                let work = |first: usize, firsts: &mut [usize], values: &mut [usize]| {
                    assert!(firsts.len() <= 24 && values.len() == 3 * firsts.len());
                    firsts.fill(first);
                    for (n, value) in values.iter_mut().enumerate() {
                        *value += 3 * first + n;
                    }
                };
                let (a, b) = (Rows::new(&mut firsts, 1), Rows::new(&mut values, 3));
                hands.share(rows, 24, a, b, &work);
                assert!(
                    firsts
                        .iter()
                        .enumerate()
                        .all(|(row, first)| *first == row / 24 * 24)
                );
                assert!(values.iter().enumerate().all(|(n, value)| *value == n));
            }
        }
    }
}
