//! Flashes: a field, a few fields, or a band of lines, at another level than the fields before and after.
//!
//! In: the blocks of one field after another. Out: how far the field four before the newest stands from its neighbours on
//! both sides, + = brighter.
//!
//! A block has jumped by the smaller of its two differences, if both have one sign: so a cut, which differs on one side only,
//! is none. A field has jumped if most of its blocks have, alike; a band if it has over [`LEAST_BANDS`] bands. Up to four fields
//! in a row may be at the other level. Blocks cut off at an end of the scale cannot jump and are left out while enough others
//! are there. What differs between the two heads is taken out first.
//!
//! Nothing is said of fields right beside missing ones, and of a jump that is not alike over the picture: that is another
//! picture of a few fields.
//!
//! Does not know: IRE, limits, what was lost.

use super::blocks::{ACROSS, Block, Blocks, MOST_BANDS};

/// Fields from the one that is judged to the newest.
pub(super) const DELAY: usize = 4;

/// Fields kept: the judged one and as many on either side.
const KEPT: usize = 2 * DELAY + 1;

/// Most fields in a row that make one flash.
const LONGEST: usize = 4;

/// Bands that jump together without the rest of the field: 24 lines; fewer may be an edge that bounces.
const LEAST_BANDS: usize = 3;

/// A band counts as jumped from here on, in codes (4 IRE): interlace moves bands of texture by up to 3.
const BAND_CODES: f32 = 8.8;

/// Share of the bands that make it the whole field.
const WHOLE: f32 = 0.8;

/// Blocks that must have gone the same way by [`ALIKE_PART`] of the jump, of those that could.
const ALIKE_SHARE: f32 = 0.7;

/// See [`ALIKE_SHARE`]: what moves through the picture may lift or lower a block besides.
const ALIKE_PART: f32 = 0.4;

/// A field sides with another if their levels differ by less than this part of the jump.
const SIDING_PART: f32 = 0.35;

/// Codes from the ends of the scale within which a block may be cut off.
const NEAR_END: f32 = 3.0;

/// Share of the blocks that must be free to jump; else all are looked at.
const FREE_SHARE: f32 = 0.25;

/// The jump of one field.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Jump {
    /// In codes, + = brighter.
    pub(super) codes: f32,
    /// Its standard error, from how far blocks differ.
    pub(super) sigma: f32,
    /// The bands that jumped, of how many: all, unless only a part of the field did.
    pub(super) bands: (usize, usize, usize),
    /// Blocks it rests on.
    pub(super) blocks: u32,
}

/// A field that is kept.
#[derive(Clone, Debug)]
struct Kept {
    blocks: Blocks,
    /// Whether it is of the top lines.
    top: bool,
    /// Means of the bands.
    means: [f32; MOST_BANDS],
}

impl Default for Kept {
    fn default() -> Self {
        Self {
            blocks: Blocks::default(),
            top: false,
            means: [0.0; MOST_BANDS],
        }
    }
}

/// Watches for flashes.
#[derive(Debug, Default)]
pub(super) struct FlashWatch {
    /// Newest first.
    kept: [Kept; KEPT],
    /// Fields without an interruption.
    run: usize,
}

/// The ends of the scale in use, in codes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Ends {
    pub(super) low: f32,
    pub(super) high: f32,
}

impl Ends {
    fn holds(self, block: &Block) -> bool {
        block.low > self.low + NEAR_END && block.high < self.high - NEAR_END
    }
}

impl FlashWatch {
    /// Breaks the chain: something is missing, or there was no picture.
    pub(super) fn interrupt(&mut self) {
        self.run = 0;
    }

    /// Takes in the next field. `heads` is what top fields have over bottom fields, in codes.
    pub(super) fn follow(
        &mut self,
        values: (&[u16], usize),
        top: bool,
        heads: f32,
        ends: Ends,
    ) -> Option<Jump> {
        self.kept.rotate_right(1);
        let newest = &mut self.kept[0];
        newest.blocks.take(values.0, values.1);
        newest.top = top;
        for (mean, band) in newest.means.iter_mut().zip(newest.blocks.bands()) {
            *mean = band.iter().map(|block| block.mean).sum::<f32>() / ACROSS as f32;
        }
        if self.run > 0 && self.kept[1].blocks.count() != self.kept[0].blocks.count() {
            self.run = 0;
        }
        self.run = (self.run + 1).min(KEPT);
        if self.run < DELAY + 2 || self.kept[0].blocks.count() == 0 {
            return None;
        }
        self.judge(heads, ends)
    }

    /// The blocks of the newest field.
    pub(super) fn newest(&self) -> &Blocks {
        &self.kept[0].blocks
    }

    /// The blocks of the judged field, after [`Self::follow`]; `None` until there is one.
    pub(super) fn judged(&self) -> Option<&Blocks> {
        (self.run > DELAY).then(|| &self.kept[DELAY].blocks)
    }

    fn judge(&self, heads: f32, ends: Ends) -> Option<Jump> {
        let earliest = (self.run - DELAY - 1).min(DELAY);
        for length in 1..=LONGEST {
            for after in 1..=length {
                let before = length + 1 - after;
                if before <= earliest && self.may_jump(before, after, heads) {
                    let found = self.compare(before, after, heads, ends);
                    if found.is_some() {
                        return found;
                    }
                }
            }
        }
        self.still(heads)
    }

    /// What the heads differ by between the judged field and another.
    fn expected(&self, place: usize, heads: f32) -> f32 {
        match (self.kept[DELAY].top, self.kept[place].top) {
            (true, false) => heads,
            (false, true) => -heads,
            _ => 0.0,
        }
    }

    /// Differences of a band's mean from the field before and the one after.
    fn of_band(&self, band: usize, before: usize, after: usize, heads: f32) -> f32 {
        let (first, last) = (DELAY + before, DELAY - after);
        let here = self.kept[DELAY].means[band];
        smaller(
            here - self.kept[first].means[band] - self.expected(first, heads),
            here - self.kept[last].means[band] - self.expected(last, heads),
        )
    }

    /// Whether enough bands stand apart for a closer look.
    fn may_jump(&self, before: usize, after: usize, heads: f32) -> bool {
        let bands = 0..self.kept[DELAY].blocks.count();
        let apart = bands
            .map(|band| self.of_band(band, before, after, heads))
            .filter(|jump| jump.abs() > 0.5 * BAND_CODES)
            .count();
        apart >= LEAST_BANDS
    }

    /// The jump of a field that has none to speak of: the middle one of its bands'.
    fn still(&self, heads: f32) -> Option<Jump> {
        let count = self.kept[DELAY].blocks.count();
        let mut jumps = [0.0_f32; MOST_BANDS];
        for (band, jump) in jumps[..count].iter_mut().enumerate() {
            *jump = self.of_band(band, 1, 1, heads);
        }
        let (codes, sigma) = middle(&mut jumps[..count])?;
        // A jump that is not alike over the picture is another picture.
        (codes.abs() < BAND_CODES).then_some(Jump {
            codes,
            sigma,
            bands: (0, count, count),
            blocks: (count * ACROSS) as u32,
        })
    }

    /// Whether the fields around side with the two compared with, and not with the judged one: between two flashes it is the
    /// plain field that differs from both its neighbours.
    fn is_the_odd_one(
        &self,
        bands: (usize, usize),
        before: usize,
        after: usize,
        codes: f32,
    ) -> bool {
        let level = |place: usize| {
            let means = &self.kept[place].means[bands.0..bands.1];
            means.iter().sum::<f32>() / means.len() as f32
        };
        let (first, last) = (DELAY + before, DELAY - after);
        let (here, base) = (level(DELAY), f32::midpoint(level(first), level(last)));
        let sides_with = |wanted: f32| {
            (0..self.run)
                .filter(|place| ![DELAY, first, last].contains(place))
                .filter(|&place| (level(place) - wanted).abs() < SIDING_PART * codes.abs())
                .count()
        };
        sides_with(here) <= sides_with(base)
    }

    /// The jump against two fields, if it is alike over the field or a band of it.
    fn compare(&self, before: usize, after: usize, heads: f32, ends: Ends) -> Option<Jump> {
        let (first, last) = (DELAY + before, DELAY - after);
        let here = self.kept[DELAY].blocks.bands();
        let (earlier, later) = (
            self.kept[first].blocks.bands(),
            self.kept[last].blocks.bands(),
        );
        let count = here.len().min(earlier.len()).min(later.len());
        let of_block = |band: usize, at: usize| {
            let level = here[band][at].mean;
            smaller(
                level - earlier[band][at].mean - self.expected(first, heads),
                level - later[band][at].mean - self.expected(last, heads),
            )
        };
        let is_free = |band: usize, at: usize| {
            let three = [&here[band][at], &earlier[band][at], &later[band][at]];
            three.iter().all(|block| ends.holds(block))
        };
        let blocks = || (0..count).flat_map(|band| (0..ACROSS).map(move |at| (band, at)));
        let free = blocks().filter(|&(band, at)| is_free(band, at)).count();
        let only_free = free as f32 >= FREE_SHARE * (count * ACROSS) as f32;
        let counts = |band: usize, at: usize| !only_free || is_free(band, at);

        let mut bands = [None; MOST_BANDS];
        for (band, jump) in bands[..count].iter_mut().enumerate() {
            let mut jumps = [0.0; ACROSS];
            let mut seen = 0;
            for at in (0..ACROSS).filter(|&at| counts(band, at)) {
                jumps[seen] = of_block(band, at);
                seen += 1;
            }
            *jump = (seen >= ACROSS / 4)
                .then(|| middle(&mut jumps[..seen]))
                .flatten()
                .map(|(codes, _)| codes);
        }
        let run = longest_run(&bands[..count])?;
        let usable = bands[..count].iter().flatten().count();
        let jumped = bands[run.0..run.1].iter().flatten().count();
        let whole = jumped as f32 >= WHOLE * usable as f32;
        let range = if whole { (0, count) } else { run };

        let mut jumps = [0.0_f32; ACROSS * MOST_BANDS];
        let mut seen = 0;
        for (band, at) in blocks() {
            if (range.0..range.1).contains(&band) && counts(band, at) {
                jumps[seen] = of_block(band, at);
                seen += 1;
            }
        }
        let jumps = &mut jumps[..seen];
        let (codes, sigma) = middle(jumps)?;
        let alike = jumps
            .iter()
            .filter(|&&jump| jump * codes.signum() > ALIKE_PART * codes.abs())
            .count();
        let is_alike = alike as f32 >= ALIKE_SHARE * seen as f32
            && self.is_the_odd_one(range, before, after, codes);
        (is_alike && codes.abs() >= BAND_CODES).then_some(Jump {
            codes,
            sigma,
            bands: (range.0, range.1, count),
            blocks: seen as u32,
        })
    }
}

/// The smaller of two differences of one sign; 0 if their signs differ.
fn smaller(one: f32, other: f32) -> f32 {
    if one * other <= 0.0 {
        0.0
    } else if one.abs() < other.abs() {
        one
    } else {
        other
    }
}

/// The middle one, and its standard error by the spread of the rest.
fn middle(values: &mut [f32]) -> Option<(f32, f32)> {
    if values.is_empty() {
        return None;
    }
    values.sort_unstable_by(f32::total_cmp);
    let at = |share: f32| values[((values.len() - 1) as f32 * share).round() as usize];
    // Half the distance of the quartiles is 0.6745 sigma; a median's error is 1.25 of a mean's (normal noise).
    let spread = (at(0.75) - at(0.25)) / 2.0 / 0.6745;
    Some((at(0.5), 1.2533 * spread / (values.len() as f32).sqrt()))
}

/// The longest run of bands that jumped one way, of at least [`LEAST_BANDS`]; bands that say nothing do not break it.
fn longest_run(bands: &[Option<f32>]) -> Option<(usize, usize)> {
    let mut best = None;
    for sign in [1.0, -1.0] {
        let (mut start, mut jumped) = (0, 0);
        for (band, jump) in bands.iter().enumerate() {
            match jump {
                Some(jump) if jump * sign < BAND_CODES => (start, jumped) = (band + 1, 0),
                Some(_) => jumped += 1,
                None => {}
            }
            let longer = best.is_none_or(|(most, _)| jumped > most);
            if jumped >= LEAST_BANDS && longer {
                best = Some((jumped, (start, band + 1)));
            }
        }
    }
    best.map(|(_, run)| run)
}

#[cfg(test)]
mod tests {
    use super::*;

    const WIDE: Ends = Ends {
        low: 0.0,
        high: 255.0,
    };

    const A_ROW: usize = 160;
    const ROWS: usize = 136;

    /// Low-passed values of a picture: blocks of many levels, seeded by `scene`.
    fn picture(scene: usize, level: impl Fn(usize) -> f32) -> Vec<u16> {
        (0..A_ROW * ROWS)
            .map(|at| {
                let (column, row) = (at % A_ROW, at / A_ROW);
                let code = 50 + ((column / 9 * 37 + row / 7 * 53 + scene * 71) % 120);
                ((code as f32 + level(row)) * 8.0) as u16
            })
            .collect()
    }

    /// What is said of each field; `fields` gives scene and level of each, by row.
    fn jumps(fields: &[(usize, f32, std::ops::Range<usize>)]) -> Vec<Option<Jump>> {
        let mut watch = FlashWatch::default();
        let all = fields
            .iter()
            .enumerate()
            .map(|(field, (scene, added, rows))| {
                let values = picture(*scene, |row| if rows.contains(&row) { *added } else { 0.0 });
                watch.follow((&values, A_ROW), field % 2 == 0, 0.0, WIDE)
            });
        all.collect()
    }

    fn plain(scene: usize, count: usize) -> Vec<(usize, f32, std::ops::Range<usize>)> {
        vec![(scene, 0.0, 0..0); count]
    }

    fn sizes(found: &[Option<Jump>]) -> Vec<f32> {
        let jumped = found.iter().flatten().map(|jump| jump.codes);
        jumped.filter(|codes| codes.abs() > 4.0).collect()
    }

    #[test]
    fn one_to_four_fields_brighter_or_darker_are_so_many_jumps() {
        for length in 1..=LONGEST {
            for added in [24.0, -24.0] {
                let mut fields = plain(1, 8);
                fields.extend(vec![(1, added, 0..ROWS); length]);
                fields.extend(plain(1, 8));
                let found = sizes(&jumps(&fields));
                assert_eq!(found.len(), length, "{found:?}");
                assert!(found.iter().all(|codes| (codes - added).abs() < 0.5));
            }
        }
    }

    #[test]
    fn cuts_and_levels_that_stay_are_none() {
        let mut fields = plain(1, 8);
        fields.extend(plain(2, 8));
        fields.extend(vec![(2, 40.0, 0..ROWS); 12]);
        assert_eq!(sizes(&jumps(&fields)), [0.0_f32; 0]);
    }

    #[test]
    fn another_picture_of_one_field_is_none() {
        let mut fields = plain(1, 8);
        fields.push((6, 0.0, 0..0));
        fields.extend(plain(1, 8));
        assert_eq!(sizes(&jumps(&fields)), [0.0_f32; 0]);
    }

    #[test]
    fn a_band_of_lines_jumps_alone_and_a_narrow_one_does_not() {
        let band = |rows| {
            let mut fields = plain(3, 8);
            fields.push((3, 30.0, rows));
            fields.extend(plain(3, 8));
            jumps(&fields)
        };
        let found = band(40..60);
        let jump = found.iter().flatten().find(|jump| jump.codes > 4.0);
        let jump = jump.expect("a band of 40 lines");
        assert!((jump.codes - 30.0).abs() < 0.5, "{jump:?}");
        assert_eq!(jump.bands, (10, 15, 34));
        assert_eq!(sizes(&band(40..44)), [0.0_f32; 0]);
    }

    #[test]
    fn blocks_cut_off_at_white_do_not_hide_a_flash() {
        let mut watch = FlashWatch::default();
        let ends = Ends {
            low: 1.0,
            high: 175.0,
        };
        let found: Vec<f32> = (0..20)
            .filter_map(|field| {
                let added = if field == 9 { 30.0 } else { 0.0 };
                let mut values = picture(4, |_| added);
                for value in &mut values {
                    *value = (*value).min(175 * 8);
                }
                watch.follow((&values, A_ROW), field % 2 == 0, 0.0, ends)
            })
            .map(|jump| jump.codes)
            .filter(|codes| codes.abs() > 4.0)
            .collect();
        assert_eq!(found.len(), 1, "{found:?}");
        assert!((found[0] - 30.0).abs() < 1.0, "{found:?}");
    }

    #[test]
    fn heads_that_differ_are_no_flash() {
        let mut watch = FlashWatch::default();
        for field in 0..20 {
            let added = if field % 2 == 0 { 12.0 } else { 0.0 };
            let values = picture(5, |_| added);
            let found = watch.follow((&values, A_ROW), field % 2 == 0, 12.0, WIDE);
            assert!(found.is_none_or(|jump| jump.codes.abs() < 0.5), "{found:?}");
        }
    }

    #[test]
    fn the_field_between_two_flashes_is_none() {
        let mut fields = plain(1, 8);
        fields.extend([(1, 24.0, 0..ROWS), (1, 0.0, 0..0), (1, 24.0, 0..ROWS)]);
        fields.extend(plain(1, 8));
        let found = sizes(&jumps(&fields));
        assert_eq!(found.len(), 2, "{found:?}");
        assert!(found.iter().all(|codes| *codes > 20.0), "{found:?}");
    }

    #[test]
    fn an_interruption_is_waited_out() {
        let mut watch = FlashWatch::default();
        let values = picture(1, |_| 0.0);
        for field in 0..30 {
            if field % 5 == 0 {
                watch.interrupt();
            }
            assert_eq!(
                watch.follow((&values, A_ROW), field % 2 == 0, 0.0, WIDE),
                None
            );
        }
    }
}
