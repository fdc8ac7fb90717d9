//! How fine the colour is: the response of chroma against luma along the line.
//!
//! In: levels of luma and of a colour difference along a row, on the same places, and the latter of the row below. Out: the frequency at which chroma is
//! 6 dB down.
//!
//! Where a coloured thing ends, its light and its colour jump together; luma of tape passes several times the frequencies that
//! its colour does. So over such windows, the autocorrelation of the gradient of chroma, by its cross-correlation with that of luma,
//! is the response of the chroma channel, whatever the edges look like: both are averaged over all edges and transformed. What
//! luma has beside the shared edge, noise and print, drops out of it, as it is in neither; noise of chroma drops out as well, for
//! the autocorrelation is taken between a row and the next. Luma is blunted before it is asked whether the edge is shared, or
//! sharp ones would be like no chroma of tape.
//!
//! Does not know: which row, time, sample rates.

use std::array;
use std::f64::consts::TAU;
use std::slice;

use super::lag::dot;

/// Lags either way: 3.5 µs of 4:2:2, the whole answer of a channel of 0.4 MHz.
const LAGS: usize = 24;

/// Places of a window.
const WINDOW: usize = 48;

/// Places over which luma is averaged before chroma is held against it, lags that are tried, and the least likeness.
const BLUNT: usize = 7;
const TRIED: usize = 10;
const LEAST_LIKENESS: f32 = 0.55;

/// Least sum of squares of the chroma gradient over a window: an edge of 27 codes in a channel of 0.4 MHz.
const LEAST_EDGE: f32 = 250.0;

/// Windows are dealt out to so many heaps; what these say differs by its error.
const HEAPS: usize = 4;

/// Windows in each heap before anything is said.
const LEAST_WINDOWS: f32 = 40.0;

/// What a field leaves: twenty seconds are remembered.
const MEMORY: f32 = 0.999;

/// Frequencies looked at, from nothing to half the rate of the colour samples.
const STEPS: usize = 128;

/// Up to which step the response counts as that of slow changes: a window holds no slower ones.
const SLOW_STEPS: usize = 5;

/// Share of half the rate of the colour samples up to which the response is known: differences over two places vanish at its end.
const KNOWN: f64 = 0.8;

/// 6 dB down.
const HALF: f64 = 0.5;

/// Lags of one heap.
#[derive(Clone, Debug)]
struct Heap {
    crossed: [f32; 2 * LAGS + 1],
    own: [f32; LAGS + 1],
    windows: f32,
}

/// Gathers windows.
#[derive(Clone, Debug)]
pub(super) struct Response {
    heaps: Box<[Heap; HEAPS]>,
    next: usize,
}

impl Default for Response {
    fn default() -> Self {
        let empty = Heap {
            crossed: [0.0; 2 * LAGS + 1],
            own: [0.0; LAGS + 1],
            windows: 0.0,
        };
        Self {
            heaps: Box::new(array::from_fn(|_| empty.clone())),
            next: 0,
        }
    }
}

/// Where the response is 6 dB down, in cycles a place, its standard error, and the windows it rests on.
#[derive(Clone, Copy, Debug)]
pub(super) struct Found {
    pub(super) cycles: f64,
    pub(super) sigma: f64,
    pub(super) windows: u32,
}

impl Response {
    /// Forgets everything.
    pub(super) fn reset(&mut self) {
        *self = Self::default();
    }

    /// Another field begins.
    pub(super) fn fade(&mut self) {
        for heap in &mut *self.heaps {
            let sums = heap.crossed.iter_mut().chain(&mut heap.own);
            for sum in sums.chain([&mut heap.windows]) {
                *sum *= MEMORY;
            }
        }
    }

    /// Takes in a row; `below` is chroma of the next.
    pub(super) fn look(&mut self, chroma: &[f32], below: &[f32], luma: &[f32]) {
        let span = WINDOW + 2 * LAGS;
        // a difference over two places needs one more on either side
        let mut start = 0;
        while start + span + 2 <= luma.len().min(chroma.len()).min(below.len()) {
            self.look_at(&chroma[start..], &below[start..], &luma[start..]);
            start += WINDOW;
        }
    }

    /// Takes in the window [`LAGS`] places into both, where they show the same edge.
    fn look_at(&mut self, chroma: &[f32], below: &[f32], luma: &[f32]) {
        let mut light = [0.0_f32; WINDOW + 2 * LAGS];
        let mut next = [0.0_f32; WINDOW + 2 * LAGS];
        let mut here = [0.0_f32; WINDOW];
        differences(luma, &mut light);
        differences(below, &mut next);
        differences(&chroma[LAGS..], &mut here);
        let here = &here;
        let edge = dot(here, here);
        if edge < LEAST_EDGE {
            return;
        }
        let Some(sign) = shared_sign(here, &light, edge) else {
            return;
        };
        // Chroma at a place beside luma `lag` places before it.
        let from = |lag: usize| 2 * LAGS - lag..2 * LAGS - lag + WINDOW;
        // Strong edges count for more, but not as the square of what they are.
        let weight = 1.0 / edge.sqrt();
        let heap = &mut self.heaps[self.next % HEAPS];
        for (lag, sum) in heap.crossed.iter_mut().enumerate() {
            *sum += sign * weight * dot(here, &light[from(lag)]);
        }
        for (lag, sum) in heap.own.iter_mut().enumerate() {
            *sum += weight * dot(here, &next[from(LAGS + lag)]);
        }
        heap.windows += 1.0;
        self.next += 1;
    }

    /// The bandwidth; `None` before enough windows were seen, and where chroma is as fine as its samples can tell.
    pub(super) fn found(&self) -> Option<Found> {
        if self.heaps.iter().any(|heap| heap.windows < LEAST_WINDOWS) {
            return None;
        }
        let all = half_at(&self.heaps[..])?;
        // Each heap on its own has twice the error of all four.
        let apart = self
            .heaps
            .each_ref()
            .map(|heap| half_at(slice::from_ref(heap)));
        let sum: Option<f64> = apart
            .into_iter()
            .map(|alone| alone.map(|alone| (alone - all) * (alone - all)))
            .sum();
        let windows: f32 = self.heaps.iter().map(|heap| heap.windows).sum();
        Some(Found {
            cycles: all,
            sigma: (sum? / (HEAPS * (HEAPS - 1)) as f64).sqrt(),
            windows: windows as u32,
        })
    }
}

/// Whether chroma jumps the way luma does (1) or the other (-1), for a thing may be lighter or darker than what is beside it,
/// whatever its colour; `None` where they share no edge.
fn shared_sign(colour: &[f32; WINDOW], light: &[f32; WINDOW + 2 * LAGS], edge: f32) -> Option<f32> {
    let mut blunted = [0.0_f32; WINDOW + 2 * TRIED];
    let first = LAGS - TRIED - BLUNT / 2;
    for (level, around) in blunted.iter_mut().zip(light[first..].windows(BLUNT)) {
        *level = around.iter().sum();
    }
    let mut best = (0.0, 0.0, TRIED);
    for lag in 0..=2 * TRIED {
        let beside = &blunted[2 * TRIED - lag..][..WINDOW];
        let both = dot(colour, beside);
        let likeness = both * both / (edge * dot(beside, beside).max(1.0));
        if likeness > best.0 {
            best = (likeness, both.signum(), lag);
        }
    }
    let (likeness, sign, lag) = best;
    let inside = lag > 0 && lag < 2 * TRIED;
    (likeness >= LEAST_LIKENESS && inside).then_some(sign)
}

/// Differences over two places.
fn differences(levels: &[f32], out: &mut [f32]) {
    for (difference, pair) in out.iter_mut().zip(levels.windows(3)) {
        *difference = pair[2] - pair[0];
    }
}

/// The frequency, in cycles a place, at which the response of some heaps first falls to half of what slow changes have.
fn half_at(heaps: &[Heap]) -> Option<f64> {
    let sum = |of: &dyn Fn(&Heap) -> f32| heaps.iter().map(|heap| f64::from(of(heap))).sum::<f64>();
    let crossed: [f64; 2 * LAGS + 1] = array::from_fn(|lag| sum(&|heap| heap.crossed[lag]));
    let own: [f64; LAGS + 1] = array::from_fn(|lag| sum(&|heap| heap.own[lag]));
    let response = |step: usize| {
        let angle = TAU * 0.5 * step as f64 / STEPS as f64;
        let (mut real, mut imaginary, mut power) = (0.0, 0.0, own[0]);
        for (at, value) in crossed.iter().enumerate() {
            let lag = at as f64 - LAGS as f64;
            real += fading(lag) * value * (angle * lag).cos();
            imaginary += fading(lag) * value * (angle * lag).sin();
        }
        for (lag, value) in own.iter().enumerate().skip(1) {
            power += 2.0 * fading(lag as f64) * value * (angle * lag as f64).cos();
        }
        let crossed = f64::hypot(real, imaginary);
        (crossed > 0.0).then(|| power.max(0.0) / crossed)
    };
    let mut slow = 0.0;
    for step in 1..=SLOW_STEPS {
        slow += response(step)? / SLOW_STEPS as f64;
    }
    let mut before = response(SLOW_STEPS)? / slow;
    for step in SLOW_STEPS + 1..(KNOWN * STEPS as f64) as usize {
        let now = response(step)? / slow;
        if now < HALF {
            let part = (before - HALF) / (before - now);
            return Some(0.5 * ((step - 1) as f64 + part.clamp(0.0, 1.0)) / STEPS as f64);
        }
        before = now;
    }
    None
}

/// Weight of a lag: far ones are mostly chance, and near ones hold the answer of the channel.
fn fading(lag: f64) -> f64 {
    const NEAR: f64 = 12.0;
    let part = (lag.abs() - NEAR).max(0.0) / (LAGS as f64 + 1.0 - NEAR);
    0.5 + 0.5 * (TAU * 0.5 * part).cos()
}

#[cfg(test)]
mod tests {
    use rand::{Rng as _, SeedableRng as _};
    use rand_xoshiro::Xoshiro256PlusPlus;

    use super::*;

    /// Colour sample rate of 4:2:2, in MHz.
    const RATE: f64 = 6.75;

    /// Coloured things of random widths: luma with rises of 0.14 µs, chroma through a Gaussian that is 6 dB down at `mhz`.
    fn show(response: &mut Response, mhz: f64, noise: f64, rows: usize) {
        let mut random = Xoshiro256PlusPlus::seed_from_u64(5);
        let mut even = move || (random.next_u64() >> 11) as f64 / (1_u64 << 53) as f64;
        for _ in 0..rows {
            let step = |at: f64, place: f64, sigma: f64| {
                0.5 * (1.0 + statrs::function::erf::erf((place - at) / (sigma * 2.0_f64.sqrt())))
            };
            // A Gaussian of sigma s in time is half at sqrt(2 ln 2) / (2 pi s).
            let sigma = (2.0 * 2.0_f64.ln()).sqrt() / (TAU * mhz / RATE);
            let edges: Vec<(f64, f64)> = (0..7)
                .map(|nth| {
                    let way = if even() < 0.5 { -1.0 } else { 1.0 };
                    let height = way * (36.0 + 84.0 * even());
                    (20.0 + 50.0 * f64::from(nth) + 30.0 * even(), height)
                })
                .collect();
            let mut line = |sigma: f64, gain: f64| -> Vec<f32> {
                (0..360)
                    .map(|place| {
                        let sum: f64 = edges
                            .iter()
                            .map(|&(at, height)| height * step(at, f64::from(place), sigma))
                            .sum();
                        let bell = (0..12).map(|_| even()).sum::<f64>() - 6.0;
                        (128.0 + gain * sum + noise * bell) as f32
                    })
                    .collect()
            };
            let luma = line(0.4, 1.0);
            let [chroma, below] = [line(sigma, -0.6), line(sigma, -0.6)];
            response.look(&chroma, &below, &luma);
        }
    }

    /// Channels wider than tape's read up to a sixth too wide.
    #[test]
    fn the_bandwidth_of_a_gaussian_channel_is_recovered() {
        for (mhz, within) in [(0.4, 0.1), (0.6, 0.1), (1.0, 0.1), (1.5, 0.2)] {
            let mut response = Response::default();
            show(&mut response, mhz, 0.0, 200);
            let found = response.found().expect("many edges were seen");
            let read = found.cycles * RATE;
            assert!((read / mhz - 1.0).abs() < within, "{mhz}: {read}");
        }
    }

    #[test]
    fn noise_of_tape_moves_it_little_and_its_error_is_stated() {
        for mhz in [0.4, 0.8] {
            let mut response = Response::default();
            show(&mut response, mhz, 2.0, 400);
            let found = response.found().expect("many edges were seen");
            let read = found.cycles * RATE;
            assert!((read / mhz - 1.0).abs() < 0.12, "{mhz}: {read}");
            assert!((0.001..0.1).contains(&(found.sigma * RATE)), "{found:?}");
        }
    }

    #[test]
    fn chroma_as_fine_as_luma_has_none_and_neither_has_too_little() {
        let mut response = Response::default();
        show(&mut response, 4.0, 0.0, 200);
        assert!(response.found().is_none());
        let mut response = Response::default();
        show(&mut response, 0.5, 0.0, 2);
        assert!(response.found().is_none());
    }

    #[test]
    fn what_was_seen_fades() {
        let mut response = Response::default();
        show(&mut response, 0.5, 0.0, 200);
        for _ in 0..3000 {
            response.fade();
        }
        assert!(response.found().is_none());
    }
}
