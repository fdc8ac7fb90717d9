//! Windowed-sinc resampling: one kernel limits the band and moves the line.
//!
//! In: a line of samples at a fixed spacing, and where each output sample lies on it. Out: the line as the tape would
//! have carried it, displaced. The stop band begins below the first image of the samples, so moving by a fraction of a
//! sample adds no error of its own beyond the window's side lobes (about -50 dB). Splines and Gaussians, which estimators
//! like, are left to the estimators: a simulator that shared their kernel would hide their error.
//!
//! Does not know: what the samples show.

use std::f64::consts::PI;

use super::layout::{CHROMA_PAD, CHROMA_SOURCE, CHROMA_WIDTH, LUMA_PAD, LUMA_SOURCE, LUMA_WIDTH};

/// Positions between two source samples: nearest one is off by at most 1/1024 sample.
const PHASES: usize = 512;
/// Shape of the Kaiser window: side lobes near -50 dB, transition about 0.2 cycles a sample with 16 taps.
const KAISER_BETA: f64 = 5.0;

/// Taps of the luma kernel.
pub(super) const LUMA_TAPS: usize = 16;
/// Taps of the chroma kernel, on the coarse chroma source.
pub(super) const CHROMA_TAPS: usize = 12;
/// Outputs that share a phase while the slope is gentle.
const LUMA_BLOCK: usize = 16;
const CHROMA_BLOCK: usize = 12;
/// Displacement, in luma samples, that may be neglected within a block.
const BLOCK_TOLERANCE: f64 = 0.004;

/// A low-pass kernel at all its phases.
#[derive(Debug)]
pub(super) struct Kernel<const TAPS: usize> {
    phases: Vec<[f32; TAPS]>,
}

/// The modified Bessel function of order 0, by its series.
fn bessel_i0(x: f64) -> f64 {
    let mut term = 1.0;
    let mut sum = 1.0;
    for k in 1..40 {
        let factor = x / (2.0 * f64::from(k));
        term *= factor * factor;
        sum += term;
    }
    sum
}

/// A Kaiser window of half width `half`, at `x`.
pub(super) fn kaiser(x: f64, half: f64) -> f64 {
    let inside = 1.0 - (x / half) * (x / half);
    if inside <= 0.0 {
        return 0.0;
    }
    bessel_i0(KAISER_BETA * inside.sqrt()) / bessel_i0(KAISER_BETA)
}

/// A sinc of `cutoff` cycles a sample (-6 dB) under that window, at `x` samples.
pub(super) fn windowed_sinc(x: f64, cutoff: f64, half: f64) -> f64 {
    let phase = 2.0 * PI * cutoff * x;
    let sinc = if phase.abs() < 1e-9 {
        1.0
    } else {
        libm::sin(phase) / phase
    };
    2.0 * cutoff * sinc * kaiser(x, half)
}

impl<const TAPS: usize> Kernel<TAPS> {
    /// A kernel whose response is 6 dB down at `cutoff` cycles a source sample.
    pub(super) fn low_pass(cutoff: f64) -> Self {
        let half = TAPS as f64 / 2.0;
        let phases = (0..=PHASES)
            .map(|phase| {
                let fraction = phase as f64 / PHASES as f64;
                let taps: [f64; TAPS] = std::array::from_fn(|tap| {
                    windowed_sinc(fraction - tap as f64 + half - 1.0, cutoff, half)
                });
                // Each phase passes a flat line unaltered.
                let sum: f64 = taps.iter().sum();
                taps.map(|tap| (tap / sum) as f32)
            })
            .collect();
        Self { phases }
    }

    /// First source sample and taps for an output at `position` source samples.
    fn at(&self, position: f64) -> (usize, &[f32; TAPS]) {
        let whole = position.floor();
        let phase = ((position - whole) * PHASES as f64 + 0.5) as usize;
        ((whole as usize) + 1 - TAPS / 2, &self.phases[phase])
    }
}

/// Where a line's samples come from: sample `x` shows what was at `x - middle - slope·(x - centre)`.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Displacement {
    /// At the middle of the raster, in luma samples; + = late = moved right.
    pub(super) middle: f64,
    /// Change from one luma sample to the next.
    pub(super) slope: f64,
}

/// Middle of the raster, in luma samples from the first.
pub(super) const RASTER_CENTRE: f64 = (LUMA_WIDTH as f64 - 1.0) / 2.0;

impl Displacement {
    pub(super) fn at(self, sample: f64) -> f64 {
        self.middle + self.slope * (sample - RASTER_CENTRE)
    }
}

#[expect(
    clippy::inline_always,
    reason = "only inlined is it compiled for the wider target"
)]
#[inline(always)]
fn convolve<const TAPS: usize, const N: usize>(
    source: &[f32],
    taps: &[f32; TAPS],
    out: &mut [f32; N],
) {
    let mut sums = [0.0_f32; N];
    let source = &source[..TAPS + N - 1];
    for (tap, weight) in taps.iter().enumerate() {
        let moved: &[f32; N] = source[tap..tap + N]
            .try_into()
            .expect("the slice was cut to N");
        for (sum, sample) in sums.iter_mut().zip(moved) {
            *sum += sample * weight;
        }
    }
    *out = sums;
}

#[expect(
    clippy::inline_always,
    reason = "only inlined is it compiled for the wider target"
)]
#[inline(always)]
fn luma_blocks<const N: usize>(
    kernel: &Kernel<LUMA_TAPS>,
    source: &[f32; LUMA_SOURCE],
    moved: Displacement,
    out: &mut [f32; LUMA_WIDTH],
) {
    let (blocks, _) = out.as_chunks_mut::<N>();
    for (index, block) in blocks.iter_mut().enumerate() {
        let first = (index * N) as f64;
        let shift = moved.at(first + (N as f64 - 1.0) / 2.0);
        let (start, taps) = kernel.at(LUMA_PAD as f64 + first - shift);
        convolve(&source[start..], taps, block);
    }
}

/// Resamples a line of luma.
#[multiversion::multiversion(targets("x86_64+avx2", "x86_64+sse4.1"))]
pub(super) fn resample_luma(
    kernel: &Kernel<LUMA_TAPS>,
    source: &[f32; LUMA_SOURCE],
    moved: Displacement,
    out: &mut [f32; LUMA_WIDTH],
) {
    let slope = moved.slope.abs();
    if slope * (LUMA_BLOCK as f64) < 2.0 * BLOCK_TOLERANCE {
        luma_blocks::<LUMA_BLOCK>(kernel, source, moved, out);
    } else if slope * 4.0 < 2.0 * BLOCK_TOLERANCE {
        luma_blocks::<4>(kernel, source, moved, out);
    } else {
        luma_blocks::<1>(kernel, source, moved, out);
    }
}

/// Resamples a line of one colour difference: the source has a sample every four luma samples, the output every two.
#[multiversion::multiversion(targets("x86_64+avx2", "x86_64+sse4.1"))]
pub(super) fn resample_chroma(
    kernel: &Kernel<CHROMA_TAPS>,
    source: &[f32; CHROMA_SOURCE],
    moved: Displacement,
    out: &mut [f32; CHROMA_WIDTH],
) {
    let mut even = [0.0_f32; CHROMA_BLOCK];
    let mut odd = [0.0_f32; CHROMA_BLOCK];
    let (pairs, _) = out.as_chunks_mut::<2>();
    let (blocks, _) = pairs.as_chunks_mut::<CHROMA_BLOCK>();
    for (index, block) in blocks.iter_mut().enumerate() {
        let first = (index * CHROMA_BLOCK) as f64;
        let shift = moved.at(4.0 * (first + CHROMA_BLOCK as f64 / 2.0)) / 4.0;
        let position = CHROMA_PAD as f64 + first - shift;
        let (start, taps) = kernel.at(position);
        convolve(&source[start..], taps, &mut even);
        let (start, taps) = kernel.at(position + 0.5);
        convolve(&source[start..], taps, &mut odd);
        for (pair, (even, odd)) in block.iter_mut().zip(even.iter().zip(&odd)) {
            *pair = [*even, *odd];
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A sine of `cycles` a sample, as source and as it should come out displaced.
    fn sine_through(moved: Displacement, cycles: f64) -> (f64, f64) {
        let kernel = Kernel::low_pass(4.0 / 13.5);
        let wave = |x: f64| libm::sin(2.0 * PI * cycles * x + 0.3);
        let source: Box<[f32; LUMA_SOURCE]> = Box::new(std::array::from_fn(|n| {
            wave(n as f64 - LUMA_PAD as f64) as f32
        }));
        let mut out = [0.0; LUMA_WIDTH];
        resample_luma(&kernel, &source, moved, &mut out);
        let mut worst: f64 = 0.0;
        let mut gain: f64 = 0.0;
        for (x, &sample) in out.iter().enumerate() {
            let x = x as f64;
            let expected = wave(x - moved.at(x));
            worst = worst.max((f64::from(sample) - expected).abs());
            gain = gain.max(f64::from(sample).abs());
        }
        (worst, gain)
    }

    #[test]
    fn a_sine_in_the_band_is_moved_by_exactly_the_displacement() {
        for middle in [-20.0, -0.37, 0.0, 0.25, 0.5, 3.77] {
            let moved = Displacement { middle, slope: 0.0 };
            let (worst, _) = sine_through(moved, 1.0 / 13.5);
            // A shift error of 1/1024 sample of this sine, and the window's ripple of 0.4 %.
            assert!(worst < 0.005, "{middle}: {worst}");
        }
    }

    #[test]
    fn a_sheared_line_follows_its_slope() {
        for slope in [0.000_4, 0.001_5, 0.011] {
            let moved = Displacement { middle: 1.3, slope };
            let (worst, _) = sine_through(moved, 1.0 / 13.5);
            // Half a block of slope (0.004 sample) turns into 0.0019 of this sine, beside the ripple.
            assert!(worst < 0.006, "{slope}: {worst}");
        }
    }

    #[test]
    fn a_sine_above_the_band_is_stopped() {
        let (_, gain) = sine_through(Displacement::default(), 6.3 / 13.5);
        assert!(gain < 0.01, "{gain}");
    }

    #[test]
    fn chroma_moves_with_luma() {
        let kernel = Kernel::low_pass(0.45 / 3.375);
        let cycles = 0.004;
        let source: Box<[f32; CHROMA_SOURCE]> = Box::new(std::array::from_fn(|n| {
            libm::sin(2.0 * PI * cycles * 4.0 * (n as f64 - CHROMA_PAD as f64)) as f32
        }));
        let moved = Displacement {
            middle: 5.3,
            slope: 0.0,
        };
        let mut out = [0.0; CHROMA_WIDTH];
        resample_chroma(&kernel, &source, moved, &mut out);
        for (x, &sample) in out.iter().enumerate() {
            // Twelve taps already droop by 0.8 % here; a shift by one output sample would be 0.05.
            let expected = libm::sin(2.0 * PI * cycles * (2.0 * x as f64 - 5.3));
            assert!(
                (f64::from(sample) - expected).abs() < 0.012,
                "{x}: {sample}"
            );
        }
    }
}
