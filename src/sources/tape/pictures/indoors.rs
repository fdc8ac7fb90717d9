//! Pictures under a roof, and those that are made of paper.
//!
//! Does not know: cameras, time, the tape.

use super::super::canvas::{Colour, HEIGHT, Sketch, WIDTH};
use super::super::grain::Grain;
use super::super::layout::LUMA_WIDTH;
use super::super::random::Dice;
use super::fine;

pub(super) fn hall(grain: &Grain, dice: &mut Dice) -> Sketch {
    let mut sketch = Sketch::new(|x, y| {
        if y < 600.0 {
            let fold = libm::sinf(x * 0.16 + 0.5 * grain.smooth(x * 0.2, 7.0));
            Colour::rgb(0.42, 0.1, 0.13).times(0.75 + 0.4 * fold + 0.06 * fine(grain, x, y))
        } else {
            let plank = if (y - 600.0 + x * 0.07).rem_euclid(24.0) < 1.6 {
                0.6
            } else {
                1.0
            };
            Colour::rgb(0.55, 0.38, 0.22)
                .times(plank * (0.95 + 0.08 * grain.smooth(x * 0.4, y * 3.0)))
        }
    });
    for person in 0..4 {
        draw_person(&mut sketch, grain, dice, 140.0 + person as f32 * 245.0);
    }
    sketch.area((40.0, 60.0), (420.0, 54.0), |_, _, _| {
        Some(Colour::rgb(0.88, 0.86, 0.78))
    });
    sketch.text(
        (56.0, 72.0),
        4.2,
        "SPRING MEETING",
        Colour::rgb(0.15, 0.12, 0.3),
    );
    sketch
}

fn draw_person(sketch: &mut Sketch, grain: &Grain, dice: &mut Dice, x: f32) {
    let y = dice.between(300.0, 340.0) as f32;
    let skin = [
        Colour::rgb(0.85, 0.64, 0.52),
        Colour::rgb(0.55, 0.38, 0.28),
        Colour::rgb(0.72, 0.52, 0.4),
    ][dice.below(3)];
    let [red, green, blue] = [(); 3].map(|()| dice.between(0.12, 0.7) as f32);
    let coat = Colour::rgb(red, green, blue);
    sketch.ellipse((x, y + 250.0), (98.0, 175.0), |across, down| {
        let weave = 0.03 * fine(grain, x + across * 98.0, y + down * 175.0);
        coat.times(1.05 - 0.3 * across - 0.1 * down).lit(weave)
    });
    sketch.polygon(
        &[(x - 24.0, y + 78.0), (x + 24.0, y + 78.0), (x, y + 150.0)],
        Colour::grey(0.9),
    );
    sketch.ellipse((x, y - 18.0), (62.0, 78.0), |_, _| {
        Colour::rgb(0.16, 0.1, 0.06)
    });
    sketch.ellipse((x, y), (54.0, 74.0), |across, down| {
        skin.times(1.05 - 0.25 * across - 0.12 * down - 0.15 * across * across)
    });
    for side in [-1.0, 1.0] {
        let eye = (x + side * 21.0, y - 12.0);
        sketch.ellipse(eye, (10.0, 5.0), |_, _| Colour::grey(0.88));
        sketch.ellipse(eye, (4.5, 5.0), |_, _| Colour::grey(0.07));
        sketch.area((eye.0 - 12.0, eye.1 - 15.0), (24.0, 4.0), |_, _, _| {
            Some(Colour::rgb(0.16, 0.1, 0.06))
        });
    }
    sketch.polygon(
        &[(x, y - 8.0), (x + 10.0, y + 24.0), (x - 8.0, y + 24.0)],
        skin.times(0.78),
    );
    sketch.ellipse((x, y + 44.0), (20.0, 6.0), |_, _| {
        Colour::rgb(0.55, 0.2, 0.2)
    });
}

pub(super) fn notice(grain: &Grain, dice: &mut Dice) -> Sketch {
    let mut sketch = Sketch::new(|x, y| {
        // Lit from one side, and the paper is not quite even.
        let light = 0.86 - 0.16 * x / WIDTH - 0.1 * y / HEIGHT;
        Colour::rgb(0.98, 0.96, 0.88).times(light + 0.012 * fine(grain, x, y))
    });
    let ink = Colour::rgb(0.1, 0.09, 0.14);
    sketch.text((90.0, 40.0), 6.0, "FERRY STREET FILM CLUB", ink);
    sketch.text(
        (100.0, 104.0),
        4.0,
        "PROGRAMME OF THE YEAR 1987",
        Colour::rgb(0.6, 0.12, 0.1),
    );
    let words = [
        "THE TIDE TABLE",
        "OUR HARBOUR IN WINTER",
        "A DAY WITH THE FERRYMAN",
        "TEA AT FOUR",
        "REEL 3",
        "REGATTA 1986",
        "THE LAST TRAM",
        "ALLOTMENTS",
        "BRIDGE",
        "SNOW ON THE QUAY",
        "MEMBERS AND GUESTS",
    ];
    let mut y = 160.0;
    let mut line = 0;
    while y < HEIGHT - 30.0 {
        let dot = [2.0, 2.4, 1.6][line % 3];
        let mut x = 8.0;
        while x < WIDTH - 40.0 {
            let word = words[dice.below(words.len())];
            let end = x + (word.len() as f32 + 2.0) * 6.0 * dot;
            if end < WIDTH {
                sketch.text((x, y), dot, word, ink);
            }
            x = end;
        }
        y += 7.0 * dot + 9.0;
        line += 1;
    }
    sketch
}

/// White, yellow, cyan, green, magenta, red, blue and black, an eighth of the frame each (EBU bars: 100/0/75/0).
pub(super) fn bars() -> Sketch {
    const BARS: [[f32; 3]; 8] = [
        [1.0, 1.0, 1.0],
        [0.75, 0.75, 0.0],
        [0.0, 0.75, 0.75],
        [0.0, 0.75, 0.0],
        [0.75, 0.0, 0.75],
        [0.75, 0.0, 0.0],
        [0.0, 0.0, 0.75],
        [0.0, 0.0, 0.0],
    ];
    let left = (WIDTH - LUMA_WIDTH as f32) / 2.0;
    Sketch::new(|x, _| {
        let bar = ((x - left).max(0.0) as usize * BARS.len() / LUMA_WIDTH).min(BARS.len() - 1);
        let [red, green, blue] = BARS[bar];
        Colour::rgb(red, green, blue)
    })
}

pub(super) fn chart(grain: &Grain) -> Sketch {
    Sketch::new(|x, y| {
        let band = (y / 96.0) as i32;
        let level = match band {
            0 => (x / 128.0).floor() / 8.0 + 0.05,
            1 => {
                if (x / 16.0).floor() as i32 % 2 == 0 {
                    0.15
                } else {
                    0.75
                }
            }
            2 => 0.1 + 0.8 * x / WIDTH,
            3 => {
                if ((x / 32.0).floor() + (y / 24.0).floor()) as i32 % 2 == 0 {
                    0.2
                } else {
                    0.85
                }
            }
            // A sweep from 0.3 MHz at the left to 4.5 MHz at the right.
            4 => 0.5 + 0.35 * libm::sinf(std::f32::consts::TAU * x * (0.022 + 0.155 * x / WIDTH)),
            5 => {
                if (x + 0.8 * (y - 480.0)).rem_euclid(48.0) < 24.0 {
                    0.12
                } else {
                    0.9
                }
            }
            6 => 0.5 + 0.1 * grain.at((2.0 * x) as i32, (2.0 * y) as i32),
            _ => 0.08 + 0.8 * (y - 672.0) / 96.0,
        };
        let hue = (x / 128.0) as i32;
        let tint = if band == 0 { 0.5 } else { 0.0 };
        Colour {
            luma: level,
            cb: tint * [0.0, -0.3, 0.2, -0.2, 0.3, -0.1, 0.4, 0.0][hue.rem_euclid(8) as usize],
            cr: tint * [0.0, 0.1, -0.35, -0.3, 0.3, 0.4, -0.1, 0.0][hue.rem_euclid(8) as usize],
        }
    })
}
