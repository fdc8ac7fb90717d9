//! Chroma of drawn fields.

use crate::fields::{Field, Plane};
use crate::measures::Measure as _;
use crate::measures::levels::{self};
use crate::measures::sketch::{Screening, Sketcher, World, field, plane, raster, with_levels};
use crate::measures::sync::State;
use crate::sources::{ChromaGrid, ChromaSiting};
use crate::units::{CodeRange, Estimate, Percent};

use super::{Chroma, Input, Presence, Reading};

/// The last reading of fields shown one after the other.
fn last_of(fields: impl IntoIterator<Item = Field>) -> Reading {
    let mut chroma = Chroma::default();
    let mut last = Reading::default();
    with_levels(fields, |around, levels| {
        last = chroma.measure(Input {
            around,
            state: State::Locked,
            levels,
        });
    });
    last
}

/// A grey luma ramp under colour planes of a grid, whose codes are functions of luma column and field line.
fn coloured(
    grid: ChromaGrid,
    cb: impl Fn(usize, usize) -> f64,
    cr: impl Fn(usize, usize) -> f64,
    mut noise: impl FnMut() -> f64,
) -> Field {
    let (width, rows) = (720, 288);
    let (across, down) = match grid {
        ChromaGrid::Mono => (0, 0),
        ChromaGrid::Quarter => (4, 1),
        ChromaGrid::Half2x2(_) => (2, 2),
        ChromaGrid::Half => (2, 1),
        ChromaGrid::Full => (1, 1),
    };
    let mut drawn = field(
        0,
        raster(width, rows),
        plane(width, rows, |column, _| (20 + column / 4) as u8),
    );
    drawn.chroma = grid;
    let mut colour = |code: &dyn Fn(usize, usize) -> f64| match grid {
        ChromaGrid::Mono => Plane::default(),
        _ => plane(width / across, rows / down, |column, row| {
            let code = code(column * across, row * down) + noise();
            code.round().clamp(1.0, 254.0) as u8
        }),
    };
    (drawn.cb, drawn.cr) = (colour(&cb), colour(&cr));
    drawn
}

const GRIDS: [ChromaGrid; 4] = [
    ChromaGrid::Half,
    ChromaGrid::Half2x2(ChromaSiting::Left),
    ChromaGrid::Quarter,
    ChromaGrid::Full,
];

fn percent(estimate: Option<Estimate<Percent>>) -> f64 {
    estimate.expect("there is colour to measure").value.0
}

#[test]
fn full_colour_reads_its_own_excursion_on_every_grid() {
    // 100 % blue (BT.601-5: Cb 240, Cr 109.79): one axis at its whole excursion, 100·√(112² + 18.21²)/112
    for grid in GRIDS {
        let reading = last_of([coloured(grid, |_, _| 240.0, |_, _| 110.0, || 0.0)]);
        let wanted = 100.0 * 112.0_f64.hypot(18.0) / 112.0;
        let found = percent(reading.saturation_rms);
        assert!((found - wanted).abs() < 1e-6, "{grid:?}: {found} {wanted}");
    }
}

#[test]
fn a_full_range_source_has_its_own_excursion() {
    let mut blue = coloured(ChromaGrid::Half, |_, _| 255.0, |_, _| 128.0, || 0.0);
    blue.raster.range = CodeRange::Full;
    blue.cb.samples.fill(255);
    let found = percent(last_of([blue]).saturation_rms);
    assert!((found - 100.0 * 127.0 / 127.5).abs() < 1e-6, "{found}");
}

#[test]
fn noise_adds_nothing_to_saturation_and_sigma_covers_what_is_left() {
    // Bars across, of 10 and 30 codes, under noise of 1.4 codes (44 dB) and of 4 (35 dB).
    let code = |column: usize, _: usize| {
        if column % 240 < 120 { 138.0 } else { 98.0 }
    };
    let wanted = 100.0 * f64::midpoint(10.0 * 10.0, 30.0 * 30.0).sqrt() / 112.0;
    for sigma in [1.4, 4.0] {
        let mut sketcher = Sketcher::new(7);
        let field = coloured(
            ChromaGrid::Half,
            code,
            |_, _| 128.0,
            || sigma * sketcher.bell(),
        );
        let found = last_of([field]).saturation_rms.expect("a picture");
        assert!(
            (found.value.0 - wanted).abs() < 0.15 + 4.0 * found.sigma.0,
            "{sigma}: {found:?} {wanted}"
        );
        let grey = coloured(
            ChromaGrid::Half,
            |_, _| 128.0,
            |_, _| 128.0,
            || sigma * sketcher.bell(),
        );
        let found = last_of([grey]).saturation_rms.expect("a picture");
        assert!(found.value.0 <= 3.0 * found.sigma.0, "{found:?}");
        assert!(found.value.0 < 0.5, "{found:?}");
    }
}

#[test]
fn a_border_adds_no_grey() {
    // Blanking of 16 samples at the left and of 20 at the right, as a box may draw it: without colour.
    let green = |inside: f64| {
        move |column: usize, _: usize| {
            if (16..700).contains(&column) {
                inside
            } else {
                128.0
            }
        }
    };
    let shown = |index| {
        let mut field = coloured(ChromaGrid::Half, green(72.0), green(58.0), || 0.0);
        field.place.field.0 = index;
        field.luma = plane(
            720,
            288,
            |column, _| {
                if (16..700).contains(&column) { 112 } else { 16 }
            },
        );
        field
    };
    let found = percent(last_of((0..6).map(shown)).saturation_rms);
    let wanted = 100.0 * 56.0_f64.hypot(70.0) / 112.0;
    assert!((found - wanted).abs() < 0.05, "{found} {wanted}");
}

#[test]
fn the_cast_is_that_of_the_greys_and_not_of_the_colours() {
    // Half the picture grey, the other strongly coloured; all of it moved by an offset.
    for (blue, red) in [(0.0, 0.0), (3.0, -2.0), (-6.0, 8.0)] {
        let mut sketcher = Sketcher::new(3);
        let side = |column: usize, grey: f64, colour: f64| {
            if column < 360 { grey } else { colour }
        };
        let field = coloured(
            ChromaGrid::Half,
            |column, _| 128.0 + blue + side(column, 0.0, -50.0),
            |column, _| 128.0 + red + side(column, 0.0, 40.0),
            || 1.4 * sketcher.bell(),
        );
        let reading = last_of([field]);
        let (cb, cr) = (percent(reading.mean_cb), percent(reading.mean_cr));
        assert!((cb - blue / 1.12).abs() < 0.1, "{cb} {blue}");
        assert!((cr - red / 1.12).abs() < 0.1, "{cr} {red}");
    }
}

#[test]
fn a_picture_without_grey_has_no_cast() {
    let reading = last_of([coloured(
        ChromaGrid::Half,
        |_, _| 180.0,
        |_, _| 90.0,
        || 0.0,
    )]);
    assert!(reading.mean_cb.is_none() && reading.mean_cr.is_none());
    assert!(reading.saturation_rms.is_some());
}

#[test]
fn mono_has_no_chroma_and_neither_has_what_is_no_picture() {
    let reading = last_of([coloured(
        ChromaGrid::Mono,
        |_, _| 128.0,
        |_, _| 128.0,
        || 0.0,
    )]);
    assert!(reading.saturation_rms.is_none() && reading.presence.is_none());
    let mut screening = Screening::new();
    let around = screening.show(coloured(
        ChromaGrid::Half,
        |_, _| 180.0,
        |_, _| 128.0,
        || 0.0,
    ));
    for state in [State::Lost, State::Snow, State::Muted, State::NoSignal] {
        let reading = Chroma::default().measure(Input {
            around: &around,
            state,
            levels: &levels::Reading::default(),
        });
        assert!(reading.saturation_rms.is_none());
    }
}

#[test]
fn a_colour_killer_is_told_from_a_grey_scene() {
    let mut sketcher = Sketcher::new(5);
    let mut shown = |index: u64, colour: f64, noise: f64| {
        let mut field = coloured(
            ChromaGrid::Half,
            |column, _| 128.0 + colour * (column as f64 / 40.0).sin(),
            |_, row| 128.0 + colour * (row as f64 / 30.0).cos(),
            || noise * sketcher.bell(),
        );
        field.place.field.0 = index;
        field
    };
    let coloured: Vec<Field> = (0..40).map(|index| shown(index, 20.0, 1.4)).collect();
    let killed: Vec<Field> = (40..50).map(|index| shown(index, 0.0, 0.0)).collect();
    let grey: Vec<Field> = (40..50).map(|index| shown(index, 0.0, 1.4)).collect();
    let after = |fields: Vec<Field>| last_of(coloured.iter().cloned().chain(fields)).presence;
    assert_eq!(after(killed), Some(Presence::Lost));
    assert_eq!(after(grey), Some(Presence::Colour));
}

/// A field of patches a few hundred nanoseconds soft, whose colour lies `late` luma samples to the right of and `low` field lines below
/// their light. Drawn by integrals over soft boxes: nothing of the estimator is in it.
fn displaced(
    index: u64,
    grid: ChromaGrid,
    (late, low): (f64, f64),
    sketcher: &mut Sketcher,
) -> Field {
    const PATCHES: [(f64, f64, f64, f64, f64, f64, f64); 9] = [
        // left, right, top, bottom, light, blue, red
        (60.0, 160.0, 20.0, 90.0, 60.0, 30.0, -20.0),
        (200.0, 260.0, 40.0, 120.0, -30.0, -40.0, 15.0),
        (300.0, 420.0, 15.0, 75.0, 45.0, -10.0, 45.0),
        (470.0, 540.0, 60.0, 150.0, -25.0, 25.0, 30.0),
        (580.0, 680.0, 30.0, 100.0, 55.0, -35.0, -25.0),
        (90.0, 190.0, 150.0, 240.0, -35.0, 40.0, 20.0),
        (230.0, 330.0, 170.0, 250.0, 50.0, 20.0, -45.0),
        (380.0, 450.0, 190.0, 262.0, 40.0, -45.0, 10.0),
        (520.0, 650.0, 180.0, 255.0, -30.0, 15.0, 50.0),
    ];
    // a step that takes about `rise` places
    let soft = |at: f64, rise: f64| 0.5 + 0.5 * (at / rise).tanh();
    let drift = 1.7 * index as f64;
    // how much of each patch is at a place across and down, as functions of the sample's index
    let profile = |count: usize, from: usize, rise: f64, place: &dyn Fn(usize) -> f64| {
        let of_patch = |patch: &(f64, f64, f64, f64, f64, f64, f64)| -> Vec<f64> {
            let sides = [(patch.0 + drift, patch.1 + drift), (patch.2, patch.3)][from];
            let within = |at: f64| soft(at - sides.0, rise) - soft(at - sides.1, rise);
            (0..count).map(|sample| within(place(sample))).collect()
        };
        PATCHES.iter().map(of_patch).collect::<Vec<_>>()
    };
    let mut drawn = |width: usize,
                     rows: usize,
                     zero: f64,
                     parts: [f64; 9],
                     (across, down): (Vec<Vec<f64>>, Vec<Vec<f64>>)| {
        plane(width, rows, |x, y| {
            let patches = parts.iter().zip(across.iter().zip(&down));
            let level: f64 = patches
                .map(|(part, (across, down))| part * across[x] * down[y])
                .sum();
            (zero + level + 1.4 * sketcher.bell())
                .round()
                .clamp(1.0, 254.0) as u8
        })
    };
    let (width, rows) = (720, 288);
    let (across, down) = match grid {
        ChromaGrid::Half2x2(_) => (2, 2),
        ChromaGrid::Quarter => (4, 1),
        ChromaGrid::Full => (1, 1),
        _ => (2, 1),
    };
    let parity_low = index % 2 == 1;
    let (sited_across, sited_down) = match grid {
        // ISO/IEC 13818-2 §6.1.1.8, interlaced: a quarter, and three quarters in the bottom field
        ChromaGrid::Half2x2(ChromaSiting::Centre) => (0.5, if parity_low { 0.75 } else { 0.25 }),
        ChromaGrid::Half2x2(_) => (0.0, if parity_low { 0.75 } else { 0.25 }),
        _ => (0.0, 0.0),
    };
    let light = (
        profile(width, 0, 1.5, &|x| x as f64),
        profile(rows, 1, 0.8, &|y| y as f64),
    );
    let luma = drawn(width, rows, 90.0, PATCHES.map(|patch| patch.4), light);
    let mut shown = field(index, raster(width, rows), luma);
    shown.chroma = grid;
    let (width, rows) = (width / across, rows / down);
    let colour = (
        profile(width, 0, 6.0, &|x| {
            (x * across) as f64 + sited_across - late
        }),
        profile(rows, 1, 0.8, &|y| (y * down) as f64 + sited_down - low),
    );
    shown.cb = drawn(
        width,
        rows,
        128.0,
        PATCHES.map(|patch| patch.5),
        colour.clone(),
    );
    shown.cr = drawn(width, rows, 128.0, PATCHES.map(|patch| patch.6), colour);
    shown
}

#[test]
fn chroma_that_comes_late_or_lies_low_is_told_on_every_grid() {
    for grid in [
        ChromaGrid::Half,
        ChromaGrid::Half2x2(ChromaSiting::Left),
        ChromaGrid::Half2x2(ChromaSiting::Centre),
        ChromaGrid::Quarter,
        ChromaGrid::Full,
    ] {
        for (late, low) in [(0.0, 0.0), (4.0, 1.0), (-2.5, -0.5)] {
            let mut sketcher = Sketcher::new(21);
            let fields: Vec<Field> = (0..12)
                .map(|index| displaced(index, grid, (late, low), &mut sketcher))
                .collect();
            let reading = last_of(fields);
            let delay = reading.delay.expect("nine patches have edges enough");
            let down = reading.delay_down.expect("nine patches have edges enough");
            let wanted = late * 2000.0 / 27.0;
            // a fifth of a sample, a seventh of a line; where colour is sampled half as often, of its own
            let within = if grid == ChromaGrid::Quarter {
                45.0
            } else {
                15.0
            };
            assert!(
                (delay.value.0 - wanted).abs() < within,
                "{grid:?} {late}: {delay:?} {wanted}"
            );
            let coarse = if matches!(grid, ChromaGrid::Half2x2(_)) {
                2.0
            } else {
                1.0
            };
            assert!(
                (down.value.0 - low).abs() < 0.15 * coarse,
                "{grid:?} {low}: {down:?}"
            );
        }
    }
}

#[test]
fn colour_that_has_no_edges_in_common_with_light_tells_no_delay() {
    let mut sketcher = Sketcher::new(22);
    let leaves = World::leaves(2);
    let fields: Vec<Field> = (0..12)
        .map(|index| sketcher.shot(index, &leaves, crate::measures::sketch::Camera::default()))
        .collect();
    let reading = last_of(fields);
    assert!(reading.delay.is_none() && reading.delay_down.is_none());
}

#[test]
fn subcarrier_in_luma_is_told_from_detail_and_noise() {
    use crate::standard::Standard;
    // Subcarrier frequencies and line periods: SMPTE 170M cl. 11.1 and 11.2, BT.1700 Table 1.
    for (standard, rows, cycles_a_sample, cycles_a_line) in [
        (Standard::Lines525, 240, 315.0 / 88.0 / 13.5, 227.5),
        (Standard::Lines625, 288, 4.433_618_75 / 13.5, 283.751_6),
    ] {
        for swing in [0.0, 2.0, 6.0] {
            let mut sketcher = Sketcher::new(9);
            let luma = plane(720, rows, |column, row| {
                let phase = cycles_a_sample * column as f64 + cycles_a_line * row as f64;
                let dots = swing / 2.0 * (std::f64::consts::TAU * phase).sin();
                // a quarter of the picture has upright detail of the same frequency, half as strong as the dots
                let detail = if column < 200 {
                    0.25 * swing * (std::f64::consts::TAU * cycles_a_sample * column as f64).cos()
                } else {
                    0.0
                };
                (110.0 + dots + detail + 1.5 * sketcher.bell()).round() as u8
            });
            let mut shown = field(0, raster(720, rows), luma);
            shown.raster.standard = Some(standard);
            let found = last_of([shown]).dot_crawl.expect("a standard and a rate");
            let wanted = 100.0 * swing / 219.0;
            if swing == 0.0 {
                assert!(
                    found.value.0 <= 3.0 * found.sigma.0,
                    "{standard:?} {found:?}"
                );
            } else {
                // the detail takes a quarter of a quarter of the power off: 3 % of the amplitude
                let share = found.value.0 / wanted;
                assert!(
                    (0.85..1.1).contains(&share),
                    "{standard:?} {swing}: {found:?}"
                );
            }
        }
    }
}
