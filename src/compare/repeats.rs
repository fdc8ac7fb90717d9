//! What two plays of one chain differ by: the yardstick for what two chains differ by.
//!
//! In: heads and rows of passes. Out: [`Repeats`]. No two plays of a tape are alike: tension, tracking and warmth differ. Seconds of one play
//! do not show that, only another play does. One more play tells next to nothing of a single row, but a group of rows together
//! says how many times further plays stand apart than their seconds explain (the ratio of R. T. Birge, "The calculation of errors by
//! the method of least squares", Phys. Rev. 40, 1932); intervals of that group between different chains grow by it.
//!
//! Does not know: why plays differ.

use serde::Serialize;

use crate::record::PassHead;

use super::bootstrap::Interval;
use super::rows::Row;
use super::settings::is_same_chain;

/// Plays of one chain among the passes, and what they say.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Repeats {
    /// Places of passes that are plays of one chain, where there are two or more.
    pub chains: Vec<Vec<usize>>,
    /// How far such plays stand apart.
    pub spread: Vec<Spread>,
}

/// How far plays of one chain stand apart in a group of rows.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Spread {
    /// The group.
    pub group: &'static str,
    /// Times their seconds explain; at least 1.
    pub factor: f64,
    /// Differences it rests on.
    pub rows: usize,
}

/// Rows of a group that count as one: most are seen from two sides (rough and smooth, left and right).
const ALIKE: f64 = 2.0;

impl Repeats {
    /// Finds plays of one chain, and what they differ by.
    pub(super) fn of(heads: &[&PassHead], rows: &[Row]) -> Self {
        let mut chains: Vec<Vec<usize>> = Vec::new();
        for (place, head) in heads.iter().enumerate() {
            match chains
                .iter_mut()
                .find(|chain| is_same_chain(heads[chain[0]], head))
            {
                Some(chain) => chain.push(place),
                None => chains.push(vec![place]),
            }
        }
        chains.retain(|chain| chain.len() > 1);
        let mut repeats = Self {
            chains,
            spread: Vec::new(),
        };
        repeats.spread = repeats.measure(rows);
        repeats
    }

    fn measure(&self, rows: &[Row]) -> Vec<Spread> {
        let mut all: Vec<(&'static str, Vec<f64>)> = Vec::new();
        for row in rows {
            let same = row
                .pairs
                .iter()
                .filter(|pair| self.is_same((pair.first, pair.second)));
            let known = same.filter_map(|pair| pair.difference);
            let known = known.filter(|one| one.error > 0.0);
            let ratios = known.map(|one| (one.value / one.error).powi(2));
            match all.iter_mut().find(|(group, _)| *group == row.group) {
                Some((_, of_group)) => of_group.extend(ratios),
                None => all.push((row.group, ratios.collect())),
            }
        }
        let all = all.into_iter().filter(|(_, ratios)| !ratios.is_empty());
        all.map(|(group, ratios)| Spread {
            group,
            factor: (ratios.iter().sum::<f64>() / ratios.len() as f64)
                .sqrt()
                .max(1.0),
            rows: ratios.len(),
        })
        .collect()
    }

    /// Whether two passes are plays of one chain.
    fn is_same(&self, (first, second): (usize, usize)) -> bool {
        let mut chains = self.chains.iter();
        chains.any(|chain| chain.contains(&first) && chain.contains(&second))
    }

    /// What is said of two passes in a row of these groups: of different chains with the largest of their factors.
    pub(super) fn widened(
        &self,
        pair: (usize, usize),
        groups: &[&str],
        known: Interval,
    ) -> Interval {
        let spread = self
            .spread
            .iter()
            .filter(|spread| groups.contains(&spread.group));
        let Some(spread) = spread.max_by(|a, b| a.factor.total_cmp(&b.factor)) else {
            return known;
        };
        if self.is_same(pair) || spread.factor <= 1.0 {
            return known;
        }
        let evidence = (spread.rows as f64 / ALIKE).max(1.0);
        let freedom = 1.0 / (1.0 / known.freedom + 1.0 / evidence);
        Interval::new(known.value, known.error * spread.factor, freedom)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn repeats(factor: f64) -> Repeats {
        Repeats {
            chains: vec![vec![0, 2]],
            spread: vec![
                Spread {
                    group: "steadiness",
                    factor,
                    rows: 20,
                },
                Spread {
                    group: "levels",
                    factor: 1.0,
                    rows: 6,
                },
            ],
        }
    }

    #[test]
    fn what_plays_of_one_chain_differ_by_widens_what_is_said_of_others() {
        let known = Interval::new(10.0, 1.0, 10.0);
        let wide = repeats(3.0).widened((0, 1), &["levels", "steadiness"], known);
        assert_eq!((wide.value, wide.error, wide.freedom), (10.0, 3.0, 5.0));
        assert!(wide.high - wide.low > 3.0 * (known.high - known.low));
        for (pair, group) in [
            ((0, 2), "steadiness"),
            ((0, 1), "levels"),
            ((0, 1), "colour"),
        ] {
            assert_eq!(repeats(3.0).widened(pair, &[group], known), known);
        }
    }
}
