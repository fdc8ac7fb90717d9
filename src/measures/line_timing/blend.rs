//! Edges and picture together.
//!
//! In: what the blanking edges and the picture say of each line of a field. Out: one displacement a line, by its edge where
//! that is seen and else by the picture, and what is known of the error that every field repeats.
//!
//! The edges show where a line stands; the picture shows how it changes. What lies between them is learned while both are
//! seen, line by line for each parity: the constant error, and with it what the picture's changes are against. So a line
//! whose edge is dark for a while is read on from the picture, and when the edges go, readings do not jump. Of a chain that
//! never showed its edges the constant error is unknown. A line that shows both is not averaged: what was learned has the
//! edge's own error in it, so that the two are no independent witnesses.
//!
//! Does not know: how either was read.

use super::MAX_ROWS;
use super::content::ContentTrace;
use super::pair::contradict;
use super::side::Shift;
use crate::measures::dsp::robust;

/// Fields of a parity over which the constant error is learned: six seconds, so over several scenes of most tapes.
const LEARNED_FIELDS: f32 = 180.0;

/// Fields of a parity after which it can be used: half a second.
const LEAST_FIELDS: f32 = 15.0;

/// Scatter of what a constant was learned from, in samples² beyond what edge and picture foretell, beyond which it is none: each scene
/// then says something else, because a thing that moved or a camera that turned was taken for the lines.
const MOST_SCATTER: f32 = 0.02;

/// Spread over a field of what edge and picture differ by, over what both foretell, beyond which the picture of this field is not asked at all.
const FIELD_AGREES: f32 = 2.0;

/// Lines on either side among which a line must have others that tell, and how many: one in the middle of nothing is confirmed by none,
/// and bridges a gap that is one.
const COMPANY_REACH: usize = 8;
const LEAST_COMPANY: usize = 3;

/// Samples by which edge and picture are scattered apart over a field, beyond what was learned of each line, from which the edges refute the
/// picture: what rings the wobble alarm.
const MOST_APART: f32 = 0.5;

/// Fields that the picture stays refuted for while there are too few edges to say it again: such an error fades within about a second.
const REFUTED_FIELDS: u32 = 50;

/// Lines that show both, needed to hold one against the other.
const LEAST_LINES: usize = 24;

/// What was learned of a line: where its edge stands beyond what its picture says.
#[derive(Clone, Copy, Debug, Default)]
struct Constant {
    value: f32,
    /// Mean variance of the edges it was learned from: detail beside an edge errs alike in every field, so it stays.
    variance: f32,
    /// Mean square by which what it was learned from stands off it, less what edge and picture foretell of that.
    scatter: f32,
    fields: f32,
}

impl Constant {
    fn known(&self) -> bool {
        self.fields >= LEAST_FIELDS
    }

    /// Known so well that the picture can do with it alone, with no edges beside to hold it to.
    fn holds_alone(&self) -> bool {
        self.known() && self.scatter < MOST_SCATTER
    }

    fn learn(&mut self, value: f32, edge_variance: f32, change_variance: f32) {
        let off = value - self.value;
        self.fields = (self.fields + 1.0).min(LEARNED_FIELDS);
        self.value += off / self.fields;
        self.variance += (edge_variance - self.variance) / self.fields;
        let foretold = edge_variance + change_variance;
        if self.fields > 1.0 {
            self.scatter += (off * off - foretold - self.scatter) / self.fields;
        }
    }
}

/// What was learned over the fields.
#[derive(Debug)]
pub(super) struct Blend {
    heads: [Vec<Constant>; 2],
    lines: Vec<Option<Shift>>,
    scratch: Vec<f32>,
    counts: bool,
    /// What the lines of the field's parity have learned on the whole: for a line whose edge was never seen.
    usual: Option<Shift>,
    /// Fields that the picture stays refuted by the edges for.
    refuted: u32,
}

impl Default for Blend {
    fn default() -> Self {
        Self {
            heads: [(); 2].map(|()| Vec::with_capacity(MAX_ROWS)),
            lines: Vec::with_capacity(MAX_ROWS),
            scratch: Vec::with_capacity(MAX_ROWS + 1),
            counts: false,
            usual: None,
            refuted: 0,
        }
    }
}

impl Blend {
    /// Forgets what was learned.
    pub(super) fn reset(&mut self) {
        for head in &mut self.heads {
            head.clear();
        }
        self.lines.clear();
        self.refuted = 0;
    }

    /// Whether the constant error of the picture's lines is known.
    pub(super) fn knows_constant(&self, parity: usize) -> bool {
        self.mostly(parity, Constant::holds_alone)
    }

    fn mostly(&self, parity: usize, wanted: impl Fn(&Constant) -> bool) -> bool {
        let head = &self.heads[parity];
        2 * head.iter().filter(|constant| wanted(constant)).count() > head.len()
    }

    /// What is made of a row.
    pub(super) fn line(&self, row: usize) -> Option<Shift> {
        self.lines.get(row).copied().flatten()
    }

    /// Edges that are evidence, with the picture beside them where they do not refute it. A line whose one edge is `alone` says nothing where
    /// the picture puts it elsewhere: detail beside that edge, or a thing that moved, and nothing tells which.
    pub(super) fn both(
        &mut self,
        parity: usize,
        rows: usize,
        edge: impl Fn(usize) -> Option<Shift>,
        refuted: impl Fn(usize, f32) -> bool,
        alone: impl Fn(usize) -> bool,
        picture: &ContentTrace,
    ) {
        self.heads[parity].resize(rows.min(MAX_ROWS), Constant::default());
        self.usual = self.learn_usual(parity);
        let common = self.common(parity, rows, &edge, picture);
        self.counts = !picture.moves_down()
            && common.is_some_and(|common| self.agrees(parity, rows, &edge, picture, common));
        self.lines.clear();
        for row in 0..rows {
            let own = edge(row);
            let line = match (own, picture.change(row), common) {
                (Some(own), Some(change), Some(common))
                    if alone(row)
                        && change.wide
                        && self.heads[parity][row]
                            .told(change.whole, common)
                            .is_some_and(|told| contradict(own, told, 0.0)) =>
                {
                    None
                }
                (Some(own), Some(change), Some(common)) => {
                    let apart = own.value - change.whole.value - common;
                    self.heads[parity][row].learn(apart, own.variance, change.whole.variance);
                    Some(own)
                }
                (None, Some(change), Some(common)) if self.counts && change.wide => self
                    .told(self.heads[parity][row], change.whole, common)
                    .filter(|told| !refuted(row, told.value)),
                _ => own,
            };
            self.lines.push(line);
        }
        self.leave_out_lonely();
    }

    /// The picture alone.
    pub(super) fn picture_alone(&mut self, parity: usize, rows: usize, picture: &ContentTrace) {
        let constant_known = self.knows_constant(parity);
        self.usual = self.learn_usual(parity);
        self.counts = true;
        self.lines.clear();
        for row in 0..rows {
            let change = picture.change(row).map(|change| change.whole);
            self.lines.push(change.and_then(|change| {
                if constant_known {
                    let constant = *self.heads[parity].get(row)?;
                    let firm = if constant.holds_alone() {
                        constant
                    } else {
                        Constant::default()
                    };
                    self.told(firm, change, 0.0)
                } else {
                    Some(change)
                }
            }));
        }
        self.leave_out_lonely();
    }

    /// Whether edges, few as they may be, refute what the picture says, or lately did in this scene: where something large passes or the
    /// camera moves, the picture may have built up an error of many samples that no single line gives away.
    pub(super) fn is_refuted(
        &mut self,
        parity: usize,
        rows: usize,
        edge: impl Fn(usize) -> Option<Shift>,
        picture: &ContentTrace,
    ) -> bool {
        if picture.cut() {
            self.refuted = 0;
            return false;
        }
        self.gather_apart(parity, rows, &edge, picture);
        let enough = self.scratch.len() >= LEAST_LINES;
        self.refuted = match robust::median_and_spread(&mut self.scratch) {
            Some((_, spread)) if enough && spread > MOST_APART => REFUTED_FIELDS,
            Some(_) if enough => 0,
            _ => self.refuted.saturating_sub(1),
        };
        self.refuted > 0
    }

    /// Leaves out lines that have no company.
    fn leave_out_lonely(&mut self) {
        self.scratch.clear();
        let mut told = 0.0;
        self.scratch.push(told);
        for line in &self.lines {
            told += f32::from(u8::from(line.is_some()));
            self.scratch.push(told);
        }
        let rows = self.lines.len();
        for (row, line) in self.lines.iter_mut().enumerate() {
            let (first, end) = (
                row.saturating_sub(COMPANY_REACH),
                (row + COMPANY_REACH + 1).min(rows),
            );
            let company = self.scratch[end] - self.scratch[first] - 1.0;
            if company < LEAST_COMPANY as f32 {
                *line = None;
            }
        }
    }

    /// What the lines have learned on the whole, and how far they differ: what a line is given that never showed its edge.
    fn learn_usual(&mut self, parity: usize) -> Option<Shift> {
        if !self.mostly(parity, Constant::known) {
            return None;
        }
        self.scratch.clear();
        let known = self.heads[parity]
            .iter()
            .filter(|constant| constant.known());
        self.scratch.extend(known.map(|constant| constant.value));
        let (value, spread) = robust::median_and_spread(&mut self.scratch)?;
        Some(Shift {
            value,
            variance: spread * spread,
        })
    }

    /// Where the picture says that a line stands, by what it or, without, the others have learned.
    fn told(&self, constant: Constant, change: Shift, common: f32) -> Option<Shift> {
        let usual = || {
            self.usual.map(|usual| Shift {
                value: change.value + usual.value + common,
                variance: change.variance + usual.variance,
            })
        };
        constant.told(change, common).or_else(usual)
    }

    /// How far the whole field's edges stand from where the picture and what was learned put them.
    fn common(
        &mut self,
        parity: usize,
        rows: usize,
        edge: &impl Fn(usize) -> Option<Shift>,
        picture: &ContentTrace,
    ) -> Option<f32> {
        self.gather_apart(parity, rows, edge, picture);
        if self.scratch.len() < LEAST_LINES {
            return None;
        }
        robust::median(&mut self.scratch)
    }

    /// Puts down how far the edge of each line that shows both stands from where the picture and what was learned put it.
    fn gather_apart(
        &mut self,
        parity: usize,
        rows: usize,
        edge: &impl Fn(usize) -> Option<Shift>,
        picture: &ContentTrace,
    ) {
        self.scratch.clear();
        for row in 0..rows {
            if let (Some(own), Some(change)) = (edge(row), picture.change(row)) {
                let constant = self.heads[parity].get(row).map_or(0.0, |one| one.value);
                self.scratch.push(own.value - change.whole.value - constant);
            }
        }
    }

    /// Whether edges and picture differ by no more than they themselves foretell.
    fn agrees(
        &mut self,
        parity: usize,
        rows: usize,
        edge: &impl Fn(usize) -> Option<Shift>,
        picture: &ContentTrace,
        common: f32,
    ) -> bool {
        self.scratch.clear();
        for row in 0..rows {
            let constant = self.heads[parity][row];
            let (Some(own), Some(change)) = (edge(row), picture.change(row)) else {
                continue;
            };
            if let Some(told) = constant.told(change.whole, common) {
                let sigma = (own.variance + told.variance).sqrt();
                self.scratch.push((own.value - told.value) / sigma);
            }
        }
        let enough = self.scratch.len() >= LEAST_LINES;
        let spread = robust::median_and_spread(&mut self.scratch);
        enough && spread.is_some_and(|(_, spread)| spread < FIELD_AGREES)
    }
}

impl Constant {
    /// Where the picture says that the line stands, by what was learned: no more surely than what was learned agreed with itself.
    fn told(&self, change: Shift, common: f32) -> Option<Shift> {
        self.known().then_some(Shift {
            value: change.value + self.value + common,
            variance: change.variance + self.variance + self.scatter.max(0.0),
        })
    }
}

/// How much of the picture's changes the edges share: 1 where the border moves with the lines, 0 where it stands still.
///
/// `None` unless the picture changes by more than its own noise on enough lines.
pub(super) fn shared_motion(
    rows: usize,
    edge: impl Fn(usize) -> Option<Shift>,
    picture: &ContentTrace,
) -> Option<f32> {
    /// Change of the picture, in samples rms, that shows anything of the border.
    const LEAST_CHANGE: f32 = 0.1;
    /// The same in standard deviations of its noise.
    const CLEARLY: f32 = 2.0;
    const FEWEST: f32 = 60.0;
    let (mut n, mut x, mut y, mut xx, mut xy, mut noise) = (0.0_f32, 0.0, 0.0, 0.0, 0.0, 0.0);
    for row in 0..rows {
        let (Some(own), Some(change)) = (edge(row), picture.change(row)) else {
            continue;
        };
        if !change.wide || change.whole.variance > 0.04 {
            continue;
        }
        let (a, b) = (change.whole.value, own.value.clamp(-6.0, 6.0));
        n += 1.0;
        x += a;
        y += b;
        xx += a * a;
        xy += a * b;
        noise += change.whole.variance;
    }
    if n < FEWEST {
        return None;
    }
    let power = xx / n - (x / n).powi(2);
    let own = noise / n;
    let clear = power > LEAST_CHANGE * LEAST_CHANGE && power > (1.0 + CLEARLY * CLEARLY) * own;
    clear.then(|| (xy / n - x * y / (n * n)) / (power - own))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measures::line_timing::content::Change;

    const ROWS: usize = 60;
    const ODD_ONE: usize = 30;

    fn shift(value: f32) -> Shift {
        Shift {
            value,
            variance: 1e-3,
        }
    }

    fn still(wide: bool) -> ContentTrace {
        let change = Change {
            whole: shift(0.0),
            thirds: [None; 2],
            wide,
        };
        ContentTrace::of(vec![Some(change); ROWS])
    }

    /// What is made of a line whose edge jumps by two samples while its picture stands.
    fn made_of_a_jump(alone: bool, wide: bool) -> Option<Shift> {
        let mut blend = Blend::default();
        let (never, one) = (|_, _| false, |row| alone && row == ODD_ONE);
        for _ in 0..20 {
            blend.both(0, ROWS, |_| Some(shift(0.0)), never, one, &still(wide));
        }
        let jumped = |row| Some(shift(if row == ODD_ONE { -2.0 } else { 0.0 }));
        blend.both(0, ROWS, jumped, never, one, &still(wide));
        assert_eq!(blend.line(ODD_ONE - 1), Some(shift(0.0)));
        blend.line(ODD_ONE)
    }

    #[test]
    fn one_edge_alone_is_not_believed_against_the_picture() {
        assert_eq!(made_of_a_jump(true, true), None);
    }

    #[test]
    fn two_edges_are_and_one_is_where_the_picture_is_a_single_thing() {
        assert_eq!(made_of_a_jump(false, true), Some(shift(-2.0)));
        assert_eq!(made_of_a_jump(true, false), Some(shift(-2.0)));
    }

    /// A picture whose lower half has wandered off by so much.
    fn wandered(by: f32) -> ContentTrace {
        let change = |row: usize| Change {
            whole: shift(if row < ROWS / 2 { 0.0 } else { by }),
            thirds: [None; 2],
            wide: true,
        };
        ContentTrace::of((0..ROWS).map(|row| Some(change(row))).collect())
    }

    #[test]
    fn a_picture_that_stands_off_the_edges_is_refuted_for_a_second_after() {
        let mut blend = Blend::default();
        let every_other = |row: usize| row.is_multiple_of(2).then(|| shift(0.0));
        let none = |_| None;
        assert!(!blend.is_refuted(0, ROWS, none, &wandered(12.0)));
        assert!(blend.is_refuted(0, ROWS, every_other, &wandered(12.0)));
        let mut after = 0;
        while blend.is_refuted(0, ROWS, none, &wandered(12.0)) {
            after += 1;
        }
        assert_eq!(after + 1, REFUTED_FIELDS);
    }

    #[test]
    fn a_picture_that_the_edges_bear_out_is_believed_again_at_once() {
        let mut blend = Blend::default();
        let every_other = |row: usize| row.is_multiple_of(2).then(|| shift(0.0));
        assert!(blend.is_refuted(0, ROWS, every_other, &wandered(12.0)));
        assert!(!blend.is_refuted(0, ROWS, every_other, &wandered(0.1)));
        // A pan of all lines alike is the camera's.
        let panned = |row: usize| every_other(row).map(|edge| shift(edge.value + 3.0));
        assert!(!blend.is_refuted(0, ROWS, panned, &wandered(0.1)));
    }

    #[test]
    fn a_line_in_the_middle_of_nothing_is_left_out() {
        let mut blend = Blend::default();
        let nothing = ContentTrace::of(vec![None; ROWS]);
        let edges = |row| (row < 20 || row == 40).then(|| shift(0.0));
        blend.both(0, ROWS, edges, |_, _| false, |_| false, &nothing);
        assert!(blend.line(19).is_some());
        assert_eq!(blend.line(40), None);
    }
}
