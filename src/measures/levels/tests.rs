//! Levels of drawn fields.

use crate::fields::{Field, Plane};
use crate::measures::Measure as _;
use crate::measures::line_timing::Border;
use crate::measures::sketch::{Camera, Screening, Sketcher, World, field, plane, raster};
use crate::measures::sync::State;
use crate::sources::Gap;
use crate::units::{CodeRange, Estimate, Ire};

use super::setup::RangeDoubt;
use super::{Input, Levels, Reading};

/// The last reading of fields shown one after the other.
fn last_of(fields: impl IntoIterator<Item = Field>) -> Reading {
    let mut levels = Levels::default();
    let mut screening = Screening::new();
    fields
        .into_iter()
        .map(|field| {
            levels.measure(Input {
                around: &screening.show(field),
                state: State::Locked,
                border: Border::Tape,
                bars: None,
            })
        })
        .last()
        .expect("there are fields")
}

fn single(luma: Plane) -> Reading {
    let raster = raster(luma.width, luma.rows);
    last_of([field(0, raster, luma)])
}

fn ire(level: Option<Estimate<Ire>>) -> f64 {
    level.expect("a picture has levels").value.0
}

/// Eight bars between blanking of the nominal 625-line width.
fn bars(codes: [u8; 8]) -> Plane {
    plane(720, 288, |column, _| match column {
        0..=9 | 712.. => 16,
        _ => codes[(column - 10) * 8 / 702],
    })
}

/// 100/0/75/0 bars (EBU; codes after BT.601-5 §3.5.3): white 235, then yellow to blue at 75 %, black 16.
const EBU_BARS: [u8; 8] = [235, 162, 131, 112, 84, 65, 35, 16];

#[test]
fn ebu_bars_read_black_0_and_peak_100() {
    let reading = single(bars(EBU_BARS));
    assert_eq!(ire(reading.black), 0.0);
    assert_eq!(ire(reading.peak), 100.0);
    let mean = EBU_BARS
        .iter()
        .map(|code| f64::from(*code) - 16.0)
        .sum::<f64>()
        / 8.0
        / 2.19;
    // The guard at the sides takes 1 % from the white and the black bar: 0.5 IRE of the mean.
    assert!(
        (ire(reading.mean) - mean).abs() < 0.6,
        "{:?} {mean}",
        reading.mean
    );
    assert_eq!(reading.below_black.map(|share| share.0), Some(0.0));
    assert_eq!(reading.above_peak.map(|share| share.0), Some(0.0));
}

#[test]
fn full_bars_read_the_code_of_each_bar_on_the_ladder() {
    // 100 % bars, luma: white, yellow, cyan, green, magenta, red, blue, black (BT.601-5 §3.5.3).
    let codes = [235, 210, 170, 145, 106, 81, 41, 16];
    let reading = single(bars(codes));
    let total: u32 = reading.ladder.iter().sum();
    for code in codes {
        let share = f64::from(reading.ladder[usize::from(code)]) / f64::from(total);
        // An eighth, less the guard at the sides and what lies across the edges.
        assert!((share - 0.125).abs() < 0.02, "code {code}: {share}");
    }
}

#[test]
fn black_with_set_up_still_on_it_reads_7_49_ire() {
    // A decoder that maps blanking to 16 puts black, 7.5 IRE, at code 32.4 (16 + 2.19·7.5); noise of 1 code dithers it.
    let mut sketcher = Sketcher::new(1);
    let luma = plane(720, 288, |column, _| match column {
        0..=9 | 712.. => 16,
        10..=360 => (32.425 + sketcher.bell()).round() as u8,
        _ => 180,
    });
    let reading = single(luma);
    // The darkest 0.5 % of the field are 1 % of the black half: 2.33 sigma of the noise the filter leaves (see the module).
    let low = 2.33 * 0.2635 / 2.19;
    assert!(
        (ire(reading.black) - 7.5 + low).abs() < 0.03,
        "{:?}",
        reading.black
    );
}

#[test]
fn full_range_codes_0_and_255_are_0_and_100_and_have_no_beyond() {
    let mut shown = field(
        0,
        raster(720, 288),
        plane(720, 288, |column, _| if column < 360 { 0 } else { 255 }),
    );
    shown.raster.range = CodeRange::Full;
    let reading = last_of([shown]);
    assert_eq!((ire(reading.black), ire(reading.peak)), (0.0, 100.0));
    assert_eq!((reading.below_black, reading.above_peak), (None, None));
}

#[test]
fn area_beyond_the_preferred_range_is_counted_and_a_hair_of_overshoot_is_not() {
    // EBU R 103: 5 to 246 is the preferred 8-bit range.
    let inside = plane(720, 288, |column, _| if column < 360 { 5 } else { 246 });
    let reading = single(inside);
    assert_eq!(reading.below_black.map(|share| share.0), Some(0.0));
    assert_eq!(reading.above_peak.map(|share| share.0), Some(0.0));
    let outside = plane(720, 288, |column, _| match column {
        0..=179 => 3,
        540.. => 249,
        360 | 361 => 254,
        _ => 120,
    });
    let reading = single(outside);
    for share in [reading.below_black, reading.above_peak] {
        let share = share.expect("studio range has a beyond").0;
        // A quarter of 720, less 16 columns presumed blanking at each side and half the filter's reach at the edge.
        assert!((share - 100.0 * 164.0 / 688.0).abs() < 1.2, "{share}");
    }
    let hair = single(plane(
        720,
        288,
        |column, _| if column % 90 < 2 { 252 } else { 200 },
    ));
    assert_eq!(hair.above_peak.map(|share| share.0), Some(0.0));
}

#[test]
fn margins_from_none_to_twenty_stay_out_of_black() {
    // White from edge to edge: any blanking that got in would be the black.
    for margin in 0..=20 {
        let shown = |index| {
            let luma = plane(720, 288, |column, _| {
                if column < margin || column >= 720 - margin {
                    16
                } else {
                    200
                }
            });
            field(index, raster(720, 288), luma)
        };
        let reading = last_of((0..6).map(shown));
        assert!(
            (ire(reading.black) - 84.0).abs() < 0.1,
            "margin {margin}: {:?}",
            reading.black
        );
        assert!(
            reading.area.columns.start <= margin + 6,
            "{:?}",
            reading.area
        );
    }
}

#[test]
fn moving_lines_do_not_bring_blanking_in() {
    let mut sketcher = Sketcher::new(3);
    let mut shown = |index| {
        let mut luma = plane(720, 288, |_, _| 200);
        for row in luma.samples.chunks_exact_mut(720) {
            let start = (10.0 + 2.0 * sketcher.bell()).round().max(0.0) as usize;
            row[..start].fill(16);
            row[702 + start..].fill(16);
        }
        field(index, raster(720, 288), luma)
    };
    let reading = last_of((0..6).map(&mut shown));
    assert!(ire(reading.black) > 83.0, "{:?}", reading.black);
}

#[test]
fn a_dark_scene_keeps_the_area_of_the_scene_before() {
    let mut sketcher = Sketcher::new(4);
    let street = World::street(1);
    let bright: Vec<Field> = (0..6)
        .map(|index| sketcher.shot(index, &street, Camera::default()))
        .collect();
    let dark = sketcher.shot(
        6,
        &street,
        Camera {
            gain: 0.0,
            ..Camera::default()
        },
    );
    let before = last_of(bright.clone()).area;
    assert_eq!(before.columns.start, 16);
    assert_eq!(last_of(bright.into_iter().chain([dark])).area, before);
}

#[test]
fn head_switch_rows_do_not_count() {
    let luma = plane(720, 288, |_, row| if row >= 280 { 255 } else { 100 });
    assert!((ire(single(luma).peak) - 100.0 * 84.0 / 219.0).abs() < 0.1);
}

#[test]
fn noise_moves_black_by_what_the_module_says() {
    let mut sketcher = Sketcher::new(6);
    for sigma in [1.0, 3.0] {
        let luma = plane(720, 288, |_, _| {
            (60.0 + sigma * sketcher.bell()).round() as u8
        });
        let reading = single(luma);
        let low = ire(reading.mean) - ire(reading.black);
        assert!(
            (low - 2.576 * 0.2635 * (sigma * sigma + 1.0 / 12.0).sqrt() / 2.19).abs()
                < 0.02 * sigma,
            "{sigma}: {low}"
        );
    }
}

#[test]
fn shadows_cut_off_have_no_contrast() {
    let mut sketcher = Sketcher::new(8);
    let mut half_black = |floor: u8| {
        let luma = plane(720, 288, |column, _| {
            let level = if column < 360 { 14.0 } else { 120.0 };
            ((level + sketcher.bell()).round() as u8).max(floor)
        });
        single(luma)
    };
    let natural = ire(half_black(0).shadow_contrast);
    // Noise alone, of which only the darkest fifth counts: less than its mean difference of 0.105 IRE.
    assert!((0.02..0.105).contains(&natural), "{natural}");
    let cut = half_black(18);
    assert!(ire(cut.shadow_contrast) < 0.01, "{:?}", cut.shadow_contrast);
    let stuck = cut.low_clip.expect("a picture").0;
    assert!((stuck - 50.0).abs() < 2.0, "{stuck}");
}

#[test]
fn the_two_heads_differ_by_what_one_writes_more() {
    let mut sketcher = Sketcher::new(9);
    let street = World::street(3);
    let fields: Vec<Field> = (0..24)
        .map(|index| {
            let camera = Camera {
                x: 100.0 + 3.0 * index as f64,
                lift: if index % 2 == 0 { 2.19 } else { 0.0 },
                ..Camera::default()
            };
            sketcher.shot(index, &street, camera)
        })
        .collect();
    let found = last_of(fields)
        .parity_difference
        .expect("24 fields are enough");
    assert!((found.value.0 - 1.0).abs() < 0.1, "{found:?}");
}

#[test]
fn missing_fields_do_not_mix_parities() {
    let mut sketcher = Sketcher::new(10);
    let fields = (0..40).map(|index| {
        let mut flat = sketcher.flat(index, [100, 128, 128], 1.0);
        flat.gap = Gap {
            lost_by_source: 2,
            ..Gap::default()
        };
        flat
    });
    assert_eq!(last_of(fields).parity_difference, None);
}

#[test]
fn without_a_picture_that_stands_there_are_no_levels() {
    for state in [State::Lost, State::Snow, State::Muted, State::NoSignal] {
        let reading = Levels::default().measure(Input {
            around: &Screening::new().show(field(0, raster(720, 288), bars(EBU_BARS))),
            state,
            border: Border::Tape,
            bars: None,
        });
        assert!(reading.black.is_none() && reading.low_clip.is_none());
        assert_eq!(reading.ladder, [0; 256]);
    }
}

#[test]
fn codes_that_16_to_235_reserves_make_the_range_doubted() {
    let doubt = |lowest: u8, highest: u8| {
        let ramp = move |column: usize, _: usize| {
            let share = (column % 360) as f64 / 359.0;
            (f64::from(lowest) + share * f64::from(highest - lowest)).round() as u8
        };
        let shown = (0..60).map(|index| field(index, raster(720, 288), plane(720, 288, ramp)));
        last_of(shown).setup.expect("a locked picture").range_doubt
    };
    assert_eq!(doubt(0, 255), Some(RangeDoubt::LooksFull));
    assert_eq!(doubt(1, 254), None);
}
