//! Still pictures: read from PGM files, or made.

use std::f64::consts::TAU;
use std::fs;
use std::path::{Path, PathBuf};

use super::dice::Dice;

/// A grey picture, codes 0 to 255.
#[derive(Clone, Debug)]
pub struct Picture {
    pub samples: Vec<f32>,
    pub width: usize,
    pub height: usize,
}

impl Picture {
    /// Reads a binary PGM of 8 bits without comments, as `scripts/pictures` writes them.
    ///
    /// # Errors
    /// When the file is missing or not of that kind.
    pub fn read(path: &Path) -> Result<Self, String> {
        let bytes = fs::read(path).map_err(|error| format!("{}: {error}", path.display()))?;
        Self::parse(&bytes).ok_or_else(|| format!("{} is no 8-bit binary PGM", path.display()))
    }

    fn parse(bytes: &[u8]) -> Option<Self> {
        let mut words = bytes.splitn(4, u8::is_ascii_whitespace);
        let magic = words.next()?;
        let mut number = || std::str::from_utf8(words.next()?).ok()?.parse().ok();
        let (width, height): (usize, usize) = (number()?, number()?);
        let rest = words.next()?.strip_prefix(b"255")?.get(1..)?;
        (magic == b"P5" && rest.len() == width * height).then(|| Self {
            samples: rest.iter().map(|&code| f32::from(code)).collect(),
            width,
            height,
        })
    }

    /// A picture of `scripts/pictures` or of the fixtures, whichever is there; `diagonal` is made.
    ///
    /// # Errors
    /// When there is none of that name.
    pub fn named(name: &str) -> Result<Self, String> {
        if name == "diagonal" {
            return Ok(diagonal());
        }
        let file = format!("{name}.pgm");
        let place = places()
            .into_iter()
            .map(|place| place.join(&file))
            .find(|path| path.exists());
        let path =
            place.ok_or_else(|| format!("no picture {file}: run scripts/pictures to fetch it"))?;
        Self::read(&path)
    }

    /// The row, mirrored beyond the ends.
    fn at(&self, x: isize, y: isize) -> f32 {
        self.samples[mirror(y, self.height) * self.width + mirror(x, self.width)]
    }

    /// The whole picture at another size, low-passed to what both sizes can hold, with `margin` mirrored samples around.
    pub fn resampled(&self, width: usize, height: usize, margin: usize) -> Self {
        let across = Taps::all(self.width, width, margin);
        let down = Taps::all(self.height, height, margin);
        let rows = height + 2 * margin;
        let columns = width + 2 * margin;
        let narrow: Vec<f32> = (0..self.height.cast_signed())
            .flat_map(|y| across.iter().map(move |taps| taps.sum(|x| self.at(x, y))))
            .collect();
        let mut samples = vec![0.0; rows * columns];
        for (row, taps) in samples.chunks_exact_mut(columns).zip(&down) {
            for (x, slot) in row.iter_mut().enumerate() {
                *slot = taps.sum(|y| narrow[mirror(y, self.height) * columns + x]);
            }
        }
        Self {
            samples,
            width: columns,
            height: rows,
        }
    }
}

fn places() -> [PathBuf; 2] {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    [root.join("target/pictures"), root.join("fixtures/pictures")]
}

fn mirror(x: isize, n: usize) -> usize {
    let n = n.cast_signed();
    let folded = x.rem_euclid(2 * n);
    folded.min(2 * n - 1 - folded) as usize
}

/// Weights of one output sample.
struct Taps {
    first: isize,
    weights: Vec<f32>,
}

impl Taps {
    /// Half width of the low-pass in samples of the coarser raster.
    const REACH: f64 = 6.0;

    fn all(from: usize, to: usize, margin: usize) -> Vec<Self> {
        let step = from as f64 / to as f64;
        let stretch = step.max(1.0);
        (0..to + 2 * margin)
            .map(|n| {
                // Beyond the picture's ends the mirror is sampled.
                let place = (n as f64 - margin as f64 + 0.5) * step - 0.5;
                let first = (place - Self::REACH * stretch).ceil() as isize;
                let last = (place + Self::REACH * stretch).floor() as isize;
                let mut weights: Vec<f32> = (first..=last)
                    .map(|m| windowed_sinc((m as f64 - place) / stretch, Self::REACH) as f32)
                    .collect();
                let sum: f32 = weights.iter().sum();
                for weight in &mut weights {
                    *weight /= sum;
                }
                Self { first, weights }
            })
            .collect()
    }

    fn sum(&self, at: impl Fn(isize) -> f32) -> f32 {
        (self.first..)
            .zip(&self.weights)
            .map(|(m, weight)| weight * at(m))
            .sum()
    }
}

/// sin πu / πu under Kaiser's window of β = 7 that ends at ± `reach`.
pub fn windowed_sinc(u: f64, reach: f64) -> f64 {
    const BETA: f64 = 7.0;
    if u.abs() >= reach {
        return 0.0;
    }
    let sinc = if u == 0.0 {
        1.0
    } else {
        (std::f64::consts::PI * u).sin() / (std::f64::consts::PI * u)
    };
    let inside = (1.0 - (u / reach).powi(2)).sqrt();
    sinc * bessel_i0(BETA * inside) / bessel_i0(BETA)
}

fn bessel_i0(x: f64) -> f64 {
    let mut term = 1.0;
    let mut sum = 1.0;
    for k in 1..30 {
        term *= (x / (2.0 * f64::from(k))).powi(2);
        sum += term;
    }
    sum
}

/// A texture that is the same all over but for a slant: 1.2 samples a row of the frame to the right.
///
/// Vertical motion and line timing look alike on it.
fn diagonal() -> Picture {
    const SLANT: f64 = 1.2;
    const WAVES: usize = 60;
    let (width, height) = (720, 480);
    let mut dice = Dice::new(5);
    let waves: Vec<(f64, f64, f64)> = (0..WAVES)
        .map(|_| (0.004 + 0.08 * dice.even(), TAU * dice.even(), dice.normal()))
        .collect();
    let power: f64 = waves.iter().map(|(_, _, size)| size * size / 2.0).sum();
    let profile = |x: f64| -> f64 {
        waves
            .iter()
            .map(|(rate, phase, size)| size * (TAU * rate * x + phase).sin())
            .sum()
    };
    let samples = (0..height)
        .flat_map(|y| (0..width).map(move |x| f64::from(x) - SLANT * f64::from(y)))
        .map(|x| (126.0 + 38.0 * profile(x) / power.sqrt()).clamp(16.0, 235.0) as f32)
        .collect();
    Picture {
        samples,
        width: width as usize,
        height: height as usize,
    }
}

/// Leaves, cloth or gravel: noise of about 4 samples' size, 120 ± 35 codes.
pub fn texture(seed: u64, width: usize, height: usize) -> Picture {
    let mut dice = Dice::new(seed);
    let (coarse_width, coarse_height) = (width / 4 + 2, height / 4 + 2);
    let coarse = Picture {
        samples: (0..coarse_width * coarse_height)
            .map(|_| (120.0 + 42.0 * dice.normal()).clamp(16.0, 235.0) as f32)
            .collect(),
        width: coarse_width,
        height: coarse_height,
    };
    coarse.resampled(width, height, 0)
}
