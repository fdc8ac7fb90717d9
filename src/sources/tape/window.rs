//! The picture window of a line: where blanking ends and begins, with edges of finite rise.
//!
//! In: the margins and the rise. Out: a weight for each source sample, 0 in blanking and 1 in the picture. The edges are
//! raised cosines, band-limited before they are sampled: sampled as they are, their fold-over would move them.
//!
//! Does not know: what the picture shows beside the edge; it runs on to the edge and beyond.

use std::f64::consts::PI;

use super::kernel::windowed_sinc;

/// Share of a raised-cosine edge between 10 % and 90 %: 1 - 2·acos(0.8)/π.
const RISE_SHARE: f64 = 0.590_33;
/// Oversampling of the edge, cut-off in cycles a sample and half length of the filter that band-limits it.
const OVERSAMPLING: i32 = 32;
const EDGE_CUTOFF: f64 = 0.42;
const EDGE_HALF: i32 = 16;

/// A raised-cosine edge at 0 that takes `length` samples from foot to top.
fn edge(x: f64, length: f64) -> f64 {
    let share = (x / length + 0.5).clamp(0.0, 1.0);
    0.5 - 0.5 * libm::cos(PI * share)
}

/// The same, band-limited.
fn band_limited_edge(x: f64, length: f64) -> f64 {
    let reach = EDGE_HALF * OVERSAMPLING;
    let (sum, weight) = (-reach..=reach)
        .map(|step| f64::from(step) / f64::from(OVERSAMPLING))
        .fold((0.0, 0.0), |(sum, weight), offset| {
            let tap = windowed_sinc(offset, EDGE_CUTOFF, f64::from(EDGE_HALF));
            (sum + tap * edge(x - offset, length), weight + tap)
        });
    sum / weight
}

/// Weights for `spacing` luma samples a source sample; source sample `pad` is raster sample 0.
///
/// `left` and `right` are the blanking seen at the sides of `raster` luma samples (negative: the picture runs past), `rise`
/// the 10-90 % time in luma samples.
pub(super) fn picture_window(
    weights: &mut [f32],
    (pad, spacing, raster): (usize, f64, usize),
    (left, right): (f64, f64),
    rise: f64,
) {
    let length = rise / RISE_SHARE;
    let end = raster as f64 - right;
    // Beyond this distance the edge has settled.
    let settled = length / 2.0 + f64::from(EDGE_HALF);
    let side = |distance: f64| {
        if distance > settled {
            1.0
        } else if distance < -settled {
            0.0
        } else {
            band_limited_edge(distance, length)
        }
    };
    for (index, weight) in weights.iter_mut().enumerate() {
        let x = (index as f64 - pad as f64) * spacing;
        *weight = (side(x - left) * side(end - x)) as f32;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_raised_cosine_takes_0_59_of_its_length_from_10_to_90_percent() {
        let at = |share: f64| edge((share - 0.5) * 10.0, 10.0);
        let low = 0.5 - RISE_SHARE / 2.0;
        assert!((at(low) - 0.1).abs() < 1e-4, "{}", at(low));
        assert!((at(1.0 - low) - 0.9).abs() < 1e-4);
    }

    #[test]
    fn the_area_of_the_window_is_its_width_at_every_phase() {
        // The sum of a band-limited window is the distance of its 50 % points: fold-over would show here.
        for left in [0.0, 2.2, 4.5, 9.75] {
            let mut weights = [0.0; 800];
            picture_window(&mut weights, (40, 1.0, 720), (left, 4.25), 1.89);
            let area: f32 = weights.iter().sum();
            let width = 720.0 - left - 4.25;
            assert!((f64::from(area) - width).abs() < 0.002, "{left}: {area}");
        }
    }
}
