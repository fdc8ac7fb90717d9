//! Pictures under the sky.
//!
//! Does not know: cameras, time, the tape.

use super::super::canvas::{Colour, HEIGHT, Sketch, WIDTH};
use super::super::grain::Grain;
use super::super::random::Dice;
use super::{fine, ramp};

fn sky(grain: &Grain, x: f32, y: f32, horizon: f32) -> Colour {
    let height = ramp(y, 0.0, horizon);
    let blue = Colour::rgb(0.42, 0.6, 0.88).mixed(Colour::rgb(0.82, 0.87, 0.93), height);
    let cloud = grain.smooth(x * 0.5, y * 1.1 + 300.0);
    blue.mixed(Colour::rgb(0.97, 0.96, 0.94), ramp(cloud, 0.1, 1.8))
}

pub(super) fn harbour(grain: &Grain, dice: &mut Dice) -> Sketch {
    let horizon = 330.0;
    let mut sketch = Sketch::new(|x, y| {
        let hill = horizon - 38.0 - 26.0 * grain.smooth(x * 0.25, 40.0);
        if y < hill {
            sky(grain, x, y, horizon)
        } else if y < horizon {
            Colour::rgb(0.33, 0.42, 0.36).times(0.8 + 0.14 * fine(grain, x, y))
        } else if y < 600.0 {
            // Ripples grow towards the quay.
            let near = ramp(y, horizon, 600.0);
            let ripple = grain.smooth(x * (1.1 - 0.7 * near), y * (7.0 - 5.0 * near));
            Colour::rgb(0.26, 0.38, 0.45).lit(0.09 * near - 0.02 + 0.07 * ripple)
        } else {
            Colour::rgb(0.5, 0.46, 0.4).times(0.85 + 0.2 * fine(grain, x, y))
        }
    });
    let mut x = 40.0;
    while x < WIDTH - 60.0 {
        boat(&mut sketch, grain, dice, x);
        x += dice.between(110.0, 190.0) as f32;
    }
    sketch.text(
        (330.0, 640.0),
        5.0,
        "FERRY STREET QUAY",
        Colour::rgb(0.93, 0.9, 0.75),
    );
    for post in 0..16 {
        let left = post as f32 * 64.0 + 9.0;
        // Tarred, and black: as most pictures this one has some. Those at the sides have weathered.
        let tar = if (1..15).contains(&post) { 0.1 } else { 1.0 };
        sketch.area((left, 560.0), (11.0, 52.0), |x, _, _| {
            Some(Colour::rgb(0.3, 0.24, 0.18).times(tar * (1.3 - 0.08 * (x - left))))
        });
    }
    sketch
}

fn boat(sketch: &mut Sketch, grain: &Grain, dice: &mut Dice, x: f32) {
    let water = dice.between(400.0, 540.0) as f32;
    let size = 0.6 + (water - 400.0) / 200.0;
    let [red, green, blue] = [(); 3].map(|()| dice.between(0.15, 0.85) as f32);
    let hull = Colour::rgb(red, green, blue);
    let lean = dice.between(-14.0, 14.0) as f32;
    let place = |across: f32, up: f32| (x + across * size, water - up * size);
    sketch.polygon(
        &[
            place(-48.0, 26.0),
            place(52.0, 30.0),
            place(34.0, 0.0),
            place(-36.0, 0.0),
        ],
        hull,
    );
    sketch.polygon(
        &[
            place(-48.0, 26.0),
            place(52.0, 30.0),
            place(51.0, 26.0),
            place(-46.0, 22.0),
        ],
        Colour::grey(0.93),
    );
    sketch.polygon(
        &[
            place(-1.5 + lean, 150.0),
            place(1.5 + lean, 150.0),
            place(2.5, 26.0),
            place(-2.5, 26.0),
        ],
        Colour::rgb(0.2, 0.15, 0.1),
    );
    sketch.polygon(
        &[
            place(5.0 + lean * 0.9, 138.0),
            place(46.0, 36.0),
            place(6.0, 36.0),
        ],
        Colour::rgb(0.9, 0.88, 0.8).times(0.94 + 0.03 * fine(grain, x, water)),
    );
}

pub(super) fn fog(grain: &Grain, dice: &mut Dice) -> Sketch {
    let mut sketch = harbour(grain, dice);
    sketch.all(|_, y, seen| {
        // Nearer things show through more.
        let clear = 0.16 + 0.3 * ramp(y, 300.0, 760.0);
        Colour::rgb(0.63, 0.64, 0.65).mixed(seen, clear)
    });
    sketch
}

const PAVEMENT: f32 = 560.0;

pub(super) fn street(grain: &Grain, dice: &mut Dice) -> Sketch {
    let mut sketch = Sketch::new(|x, y| {
        if y < PAVEMENT {
            sky(grain, x, y, PAVEMENT)
        } else {
            pavement(grain, x, y)
        }
    });
    for house in 0..8 {
        draw_house(&mut sketch, grain, dice, house as f32 * 128.0);
    }
    sketch.area((300.0, 462.0), (470.0, 40.0), |_, _, _| {
        Some(Colour::rgb(0.12, 0.2, 0.3))
    });
    sketch.text(
        (314.0, 471.0),
        3.2,
        "FERRY STREET FILM CLUB",
        Colour::rgb(0.95, 0.85, 0.5),
    );
    for lamp in 0..4 {
        let x = lamp as f32 * 256.0 + 60.0;
        sketch.area((x, 330.0), (5.0, 270.0), |_, _, _| Some(Colour::grey(0.08)));
        sketch.ellipse((x + 2.0, 324.0), (11.0, 14.0), |_, down| {
            Colour::rgb(0.98, 0.95, 0.8).times(0.95 - 0.1 * down)
        });
    }
    sketch
}

/// Tiles in perspective: depth grows as the row nears the horizon.
fn pavement(grain: &Grain, x: f32, y: f32) -> Colour {
    let depth = 90.0 / (y - PAVEMENT + 55.0);
    let across = (x - WIDTH / 2.0) * depth / 30.0;
    // A whole number of tiles would be needed all round: the seam is hidden behind the canvas' ends.
    let odd = (across.floor() + (depth * 9.0).floor()).rem_euclid(2.0) > 0.5;
    let tile = if odd { 0.58 } else { 0.34 };
    Colour::rgb(tile, tile * 0.96, tile * 0.88).lit(0.035 * fine(grain, x, y))
}

fn draw_house(sketch: &mut Sketch, grain: &Grain, dice: &mut Dice, left: f32) {
    let top = dice.between(120.0, 250.0) as f32;
    let shades = [
        (0.62, 0.36, 0.26),
        (0.7, 0.62, 0.48),
        (0.5, 0.52, 0.55),
        (0.76, 0.72, 0.66),
    ];
    let (red, green, blue) = shades[dice.below(shades.len())];
    let wall = Colour::rgb(red, green, blue);
    sketch.area((left, top), (128.0, PAVEMENT - top), |x, y, _| {
        let mortar =
            (y - top) % 7.0 < 1.2 || (x - left + ((y - top) / 7.0).floor() * 5.0) % 11.0 < 1.0;
        let brick = if mortar { 0.07 } else { 0.0 };
        Some(
            wall.times(0.9 + 0.05 * (x - left) / 128.0)
                .lit(brick + 0.04 * fine(grain, x, y)),
        )
    });
    let ridge = dice.between(35.0, 75.0) as f32;
    sketch.polygon(
        &[(left + 64.0, top - ridge), (left + 128.0, top), (left, top)],
        Colour::rgb(0.36, 0.2, 0.17),
    );
    let mut y = top + 18.0;
    while y < PAVEMENT - 120.0 {
        for column in 0..3 {
            window(sketch, dice, left + 13.0 + column as f32 * 38.0, y);
        }
        y += 62.0;
    }
    let (door_x, door_y) = (left + 50.0, PAVEMENT - 62.0);
    sketch.area((door_x, door_y), (28.0, 62.0), |x, _, _| {
        // A door left open: black inside, as most pictures have some.
        Some(Colour::rgb(0.01, 0.02, 0.015).lit(0.001 * (x - door_x)))
    });
}

fn window(sketch: &mut Sketch, dice: &mut Dice, x: f32, y: f32) {
    let pane = dice.between(0.08, 0.3) as f32;
    sketch.area((x - 2.0, y - 2.0), (28.0, 44.0), |_, _, _| {
        Some(Colour::grey(0.9))
    });
    sketch.area((x, y), (24.0, 40.0), |px, py, old| {
        let bar = (px - x - 11.0).abs() < 1.2 || (py - y - 19.0).abs() < 1.2;
        let glare = ramp(px - x + py - y, 10.0, 50.0) * 0.25;
        (!bar).then_some(old.mixed(Colour::rgb(pane, pane * 1.1, pane * 1.3).lit(glare), 1.0))
    });
}

pub(super) fn night(grain: &Grain, dice: &mut Dice) -> Sketch {
    let mut sketch = street(grain, dice);
    sketch.all(|_, _, seen| seen.times(0.09).lit(0.012));
    for lamp in 0..4 {
        let (x, y) = (lamp as f32 * 256.0 + 62.0, 324.0);
        sketch.area((x - 110.0, y - 110.0), (220.0, 330.0), |px, py, old| {
            let far = ((px - x) * (px - x) + (py - y) * (py - y) * 0.6).sqrt();
            let glow = ramp(110.0 - far, 0.0, 110.0);
            Some(old.mixed(Colour::rgb(0.8, 0.66, 0.36), 0.38 * glow * glow * glow))
        });
        sketch.ellipse((x, y), (9.0, 12.0), |_, _| Colour::rgb(1.0, 0.95, 0.75));
    }
    sketch
}

pub(super) fn park(grain: &Grain, dice: &mut Dice) -> Sketch {
    let mut sketch = Sketch::new(|x, y| {
        if y < 470.0 {
            sky(grain, x, y, 470.0).lit(0.06)
        } else {
            let blade = grain.smooth(x * 2.0, y * 0.8);
            Colour::rgb(0.25, 0.4, 0.16)
                .times(0.85 + 0.3 * blade)
                .mixed(
                    Colour::rgb(0.62, 0.56, 0.42),
                    ramp(40.0 - (x - 460.0 - 0.6 * (y - 600.0)).abs(), 0.0, 8.0),
                )
        }
    });
    for tree in 0..7 {
        let x = tree as f32 * 150.0 + dice.between(10.0, 60.0) as f32;
        draw_tree(&mut sketch, grain, dice, x);
    }
    sketch
}

fn draw_tree(sketch: &mut Sketch, grain: &Grain, dice: &mut Dice, x: f32) {
    let foot = dice.between(500.0, 620.0) as f32;
    let lean = dice.between(-18.0, 18.0) as f32;
    sketch.polygon(
        &[
            (x - 6.0 + lean, foot - 260.0),
            (x + 6.0 + lean, foot - 260.0),
            (x + 14.0, foot),
            (x - 14.0, foot),
        ],
        Colour::rgb(0.24, 0.17, 0.11),
    );
    let shade = dice.between(0.75, 1.15) as f32;
    let middle = (x + lean, foot - 280.0);
    sketch.area(
        (middle.0 - 105.0, middle.1 - 125.0),
        (210.0, 250.0),
        |px, py, _| {
            let (across, down) = ((px - middle.0) / 95.0, (py - middle.1) / 115.0);
            let crown = 1.0 - across * across - down * down;
            let leaves = fine(grain, px + foot, py);
            (crown * 2.2 + leaves * 0.9 > 0.55).then(|| {
                Colour::rgb(0.22, 0.38, 0.13)
                    .times(shade * (0.85 - 0.3 * down))
                    .lit(0.11 * grain.at((3.0 * px) as i32, (3.0 * py) as i32))
            })
        },
    );
}

pub(super) fn meadow(grain: &Grain) -> Sketch {
    Sketch::new(|x, y| {
        // A whole turn across, so that the ends meet.
        let across = 0.5 + 0.5 * libm::sinf(x / WIDTH * std::f32::consts::TAU);
        let down = y / HEIGHT;
        let level = 0.28 + 0.3 * across + 0.22 * down;
        Colour::rgb(level * 0.92, level, level * 0.72).lit(0.006 * fine(grain, x, y))
    })
}
