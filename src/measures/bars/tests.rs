//! Bars drawn with the codes that are published for them.

use crate::fields::{Field, Plane};
use crate::measures::Measure as _;
use crate::measures::sketch::{Camera, Screening, Sketcher, World, field, plane, raster};
use crate::measures::sync::State;

use super::{Bars, Found, Input, Kind};

/// Y, Cb, Cr of white to black (BT.601-5 §3.5.3, rounded: rows 4.01 to 4.08 of the project's table of standards).
const BARS_75: [[u8; 3]; 8] = [
    [180, 128, 128],
    [162, 44, 142],
    [131, 156, 44],
    [112, 72, 58],
    [84, 184, 198],
    [65, 100, 212],
    [35, 212, 114],
    [16, 128, 128],
];
const BARS_100: [[u8; 3]; 8] = [
    [235, 128, 128],
    [210, 16, 146],
    [170, 166, 16],
    [145, 54, 34],
    [106, 202, 222],
    [81, 90, 240],
    [41, 240, 110],
    [16, 128, 128],
];

fn found_in(field: Field) -> Option<Found> {
    let mut screening = Screening::new();
    let around = screening.show(field);
    let state = State::Locked;
    let around = &around;
    Bars.measure(Input { around, state }).found
}

/// A field of columns of bars, lower rows of other codes, with noise of `sigma` codes in luma and `sigma` in colour.
fn drawn(columns: &[[u8; 3]], lower: Option<&[[u8; 3]]>, noise: &mut impl FnMut() -> f64) -> Field {
    let (width, rows) = (720, 288);
    let mut code = |part: usize, width: usize, column: usize, row: usize| {
        let bars = match lower {
            Some(lower) if row >= 192 => lower,
            _ => columns,
        };
        let exact = f64::from(bars[column * bars.len() / width][part]);
        (exact + noise()).round().clamp(1.0, 254.0) as u8
    };
    let luma = plane(width, rows, |column, row| code(0, width, column, row));
    let mut shown = field(0, raster(width, rows), luma);
    shown.cb = plane(width / 2, rows, |column, row| {
        code(1, width / 2, column, row)
    });
    shown.cr = plane(width / 2, rows, |column, row| {
        code(2, width / 2, column, row)
    });
    shown
}

/// Bars must be right within so much: luma in IRE, saturation in percent, hue in degrees.
fn check(found: &Found, (ire, percent, degrees): (f64, f64, f64)) {
    assert!(found.white.value.0.abs() <= ire, "white {:?}", found.white);
    if let Some(black) = found.black {
        assert!(black.value.0.abs() <= ire, "black {black:?}");
    }
    for (bar, name) in found.bars.iter().zip(super::COLOURS) {
        assert!(bar.luma.value.0.abs() <= ire, "{name} {bar:?}");
        assert!(bar.saturation.value.0.abs() <= percent, "{name} {bar:?}");
        assert!(bar.hue.value.0.abs() <= degrees, "{name} {bar:?}");
    }
}

/// EBU bars: white at 100 %, the others at 75 % (row 4.21).
fn ebu() -> [[u8; 3]; 8] {
    let mut bars = BARS_75;
    bars[0] = BARS_100[0];
    bars
}

#[test]
fn clean_bars_read_their_nominal_values_on_every_layout() {
    // ± 0.3 IRE, ± 0.5 %, ± 0.4°: the rounding of the codes takes up to 0.2 IRE, 0.4 % and 0.32°
    let none = &mut || 0.0;
    for (bars, kind) in [
        (BARS_75, Kind::Full75),
        (ebu(), Kind::Full75),
        (BARS_100, Kind::Full100),
    ] {
        let found = found_in(drawn(&bars, None, none)).expect("bars");
        assert_eq!(found.kind, kind);
        check(&found, (0.3, 0.5, 0.4));
        let without_black = found_in(drawn(&bars[..7], None, none)).expect("bars");
        assert_eq!(without_black.kind, kind);
        check(&without_black, (0.3, 0.5, 0.4));
    }
}

#[test]
fn split_bars_are_told_from_full_ones() {
    // The lowest quarter of 525-line split bars (row 4.26): -I, white, +Q, black.
    let below = [
        [16, 158, 95],
        [235, 128, 128],
        [16, 175, 149],
        [16, 128, 128],
        [16, 128, 128],
    ];
    let found = found_in(drawn(&BARS_75[..7], Some(&below), &mut || 0.0)).expect("bars");
    assert_eq!(found.kind, Kind::Split75);
    check(&found, (0.3, 0.5, 0.4));
}

#[test]
fn bars_at_36_db_read_within_1_ire_2_percent_and_1_degree() {
    // 219/10^(36/20) codes of luma noise, 224/10^(36/20) of colour noise
    let mut sketcher = Sketcher::new(36);
    for bars in [BARS_75, ebu(), BARS_100] {
        let sigma = 3.55;
        let found = found_in(drawn(&bars, None, &mut || sigma * sketcher.bell())).expect("bars");
        check(&found, (1.0, 2.0, 1.0));
        for bar in found.bars {
            // stated errors: a few hundredths, not more than the noise of the patch allows
            assert!(
                bar.hue.sigma.0 < 0.25 && bar.saturation.sigma.0 < 0.5,
                "{bar:?}"
            );
            assert!(
                bar.luma.sigma.0 < 0.2 && bar.luma.sigma.0 > 0.005,
                "{bar:?}"
            );
        }
    }
}

/// Turns and stretches the colours of bars on the composite axes (factors of row 4.52).
fn turned(bars: [[u8; 3]; 8], degrees: f64, factor: f64) -> [[f64; 3]; 8] {
    bars.map(|[y, cb, cr]| {
        let u = (f64::from(cb) - 128.0) * 0.003_892_9;
        let v = (f64::from(cr) - 128.0) * 0.005_490_9;
        let (sin, cos) = degrees.to_radians().sin_cos();
        [
            f64::from(y),
            128.0 + factor * (u * cos - v * sin) / 0.003_892_9,
            128.0 + factor * (u * sin + v * cos) / 0.005_490_9,
        ]
    })
}

#[test]
fn known_errors_of_hue_saturation_and_luma_are_read_as_such() {
    let mut sketcher = Sketcher::new(4);
    for (degrees, factor, ire) in [(7.0, 1.0, 0.0), (-12.0, 0.8, 3.0), (3.0, 1.15, -2.0)] {
        let bars = turned(BARS_75, degrees, factor).map(|[y, cb, cr]| [y + 2.19 * ire, cb, cr]);
        let exact = |part: usize, width: usize| {
            let mut noise = || sketcher.bell();
            plane(width, 288, |column, _| {
                (bars[column * 8 / width][part] + noise()).round() as u8
            })
        };
        let mut exact = exact;
        let mut shown = field(0, raster(720, 288), exact(0, 720));
        (shown.cb, shown.cr) = (exact(1, 360), exact(2, 360));
        let found = found_in(shown).expect("bars, though off");
        assert!(
            (found.hue().value.0 - degrees).abs() < 0.4,
            "{:?}",
            found.hue()
        );
        let wanted = 100.0 * (factor - 1.0);
        assert!(
            (found.saturation().value.0 - wanted).abs() < 0.5,
            "{:?}",
            found.saturation()
        );
        assert!((found.white.value.0 - ire).abs() < 0.3, "{:?}", found.white);
    }
}

#[test]
fn nothing_else_is_taken_for_bars() {
    let mut sketcher = Sketcher::new(8);
    let street = World::street(1);
    assert_eq!(found_in(sketcher.shot(0, &street, Camera::default())), None);
    for other in [
        // grey steps, mirrored bars, one bar missing, hues in another order
        BARS_75.map(|[y, _, _]| [y, 128, 128]),
        {
            let mut mirrored = BARS_75;
            mirrored.reverse();
            mirrored
        },
        {
            let mut missing = BARS_75;
            missing[3] = missing[2];
            missing
        },
        BARS_75.map(|[y, cb, cr]| [y, cr, cb]),
    ] {
        assert_eq!(found_in(drawn(&other, None, &mut || 0.0)), None);
    }
    let mut mono = drawn(&BARS_75, None, &mut || 0.0);
    (mono.cb, mono.cr) = (Plane::default(), Plane::default());
    assert_eq!(found_in(mono), None);
}
