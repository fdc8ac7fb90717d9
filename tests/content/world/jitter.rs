//! What is put into the lines: displacement of every line of every field, in samples.

use super::dice::Dice;

/// Kinds of line error that change from field to field.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Jitter {
    None,
    /// Each line for itself, 0.5 sample.
    White,
    /// Drifting down the field, 1 sample.
    Wave,
    /// The top bent by 5 ± 2 samples, fading over 12 lines.
    Flag,
    /// The last 7 lines off by 5 ± 1 samples.
    Switch,
    /// The sum, with 0.15 sample of white jitter.
    All,
}

impl Jitter {
    pub const REFERENCE: [Self; 5] = [Self::White, Self::Wave, Self::Flag, Self::Switch, Self::All];

    pub fn name(self) -> &'static str {
        match self {
            Self::None => "none",
            Self::White => "white",
            Self::Wave => "wave",
            Self::Flag => "flag",
            Self::Switch => "switch",
            Self::All => "all",
        }
    }

    /// The displacements of one field.
    pub fn field(self, rows: usize, dice: &mut Dice) -> Vec<f64> {
        match self {
            Self::None => vec![0.0; rows],
            Self::White => white(0.5, rows, dice),
            Self::Wave => wave(rows, dice),
            Self::Flag => flag(rows, dice),
            Self::Switch => switch(rows, dice),
            Self::All => {
                let parts = [
                    white(0.15, rows, dice),
                    wave(rows, dice),
                    flag(rows, dice),
                    switch(rows, dice),
                ];
                (0..rows)
                    .map(|row| parts.iter().map(|part| part[row]).sum())
                    .collect()
            }
        }
    }
}

fn white(deviation: f64, rows: usize, dice: &mut Dice) -> Vec<f64> {
    (0..rows).map(|_| deviation * dice.normal()).collect()
}

fn wave(rows: usize, dice: &mut Dice) -> Vec<f64> {
    const KEPT: f64 = 0.98;
    let mut value = dice.normal();
    (0..rows)
        .map(|_| {
            let now = value;
            value = KEPT * value + (1.0 - KEPT * KEPT).sqrt() * dice.normal();
            now
        })
        .collect()
}

fn flag(rows: usize, dice: &mut Dice) -> Vec<f64> {
    let top = 5.0 + 2.0 * dice.normal();
    (0..rows)
        .map(|row| top * (-(row as f64) / 12.0).exp())
        .collect()
}

fn switch(rows: usize, dice: &mut Dice) -> Vec<f64> {
    let step = 5.0 + dice.normal();
    (0..rows)
        .map(|row| if row + 7 >= rows { step } else { 0.0 })
        .collect()
}
