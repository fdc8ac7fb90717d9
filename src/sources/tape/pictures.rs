//! The pictures of the Ferry Street Film Club: what its invented tapes show.
//!
//! In: a [`Picture`]'s name and a texture. Out: the drawn canvas. They are made to be measured as much as to be looked at:
//! detail beside the edges of the frame, slanted outlines, fine and coarse texture, flat ground, deep shadow, gradients both
//! ways.
//!
//! Does not know: cameras, time, the tape.

use super::canvas::{Canvas, Colour, HEIGHT, Sketch, WIDTH};
use super::grain::Grain;
use super::random::{Dice, Stream};

/// What is seen.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Picture {
    /// A quay: sky, hills, water, boats with slanted masts.
    Harbour,
    /// A row of houses with windows, gables and a sign, over a chequered pavement.
    Street,
    /// Trees before a bright sky.
    Park,
    /// Three people before a curtain.
    Hall,
    /// A page of small print under a title.
    Notice,
    /// Almost flat ground with slow gradients both ways.
    Meadow,
    /// The street at night: a few lights.
    Night,
    /// The harbour in fog: all greys close together.
    Fog,
    /// A chart of stripes, squares and wedges.
    Chart,
    /// A light wall, the same everywhere.
    Wall,
}

impl Picture {
    /// Draws it.
    pub(super) fn draw(self, seed: u64, grain: &Grain) -> Canvas {
        let mut dice = Dice::new(seed ^ (self as u64 + 1) << 32, Stream::Pictures);
        match self {
            Self::Harbour => harbour(grain, &mut dice),
            Self::Street => street(grain, &mut dice),
            Self::Park => park(grain, &mut dice),
            Self::Hall => hall(grain, &mut dice),
            Self::Notice => notice(grain, &mut dice),
            Self::Meadow => meadow(grain),
            Self::Night => night(grain, &mut dice),
            Self::Fog => fog(grain, &mut dice),
            Self::Chart => chart(grain),
            Self::Wall => Sketch::new(|_, _| Colour::rgb(0.83, 0.8, 0.74)),
        }
        .finish()
    }
}

fn ramp(x: f32, from: f32, to: f32) -> f32 {
    ((x - from) / (to - from)).clamp(0.0, 1.0)
}

/// The texture at a place in samples and rows, at its own scale.
fn fine(grain: &Grain, x: f32, y: f32) -> f32 {
    grain.at((2.0 * x) as i32, (2.0 * y) as i32)
}

fn sky(grain: &Grain, x: f32, y: f32, horizon: f32) -> Colour {
    let height = ramp(y, 0.0, horizon);
    let blue = Colour::rgb(0.42, 0.6, 0.88).mixed(Colour::rgb(0.82, 0.87, 0.93), height);
    let cloud = grain.smooth(x * 0.5, y * 1.1 + 300.0);
    blue.mixed(Colour::rgb(0.97, 0.96, 0.94), ramp(cloud, 0.1, 1.8))
}

fn harbour_sketch(grain: &Grain, dice: &mut Dice) -> Sketch {
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
        sketch.area((left, 560.0), (11.0, 52.0), |x, _, _| {
            Some(Colour::rgb(0.3, 0.24, 0.18).times(1.3 - 0.08 * (x - left)))
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

fn harbour(grain: &Grain, dice: &mut Dice) -> Sketch {
    harbour_sketch(grain, dice)
}

fn fog(grain: &Grain, dice: &mut Dice) -> Sketch {
    let mut sketch = harbour_sketch(grain, dice);
    sketch.all(|_, y, seen| {
        // Nearer things show through more.
        let clear = 0.16 + 0.3 * ramp(y, 300.0, 760.0);
        Colour::rgb(0.63, 0.64, 0.65).mixed(seen, clear)
    });
    sketch
}

const PAVEMENT: f32 = 560.0;

fn street_sketch(grain: &Grain, dice: &mut Dice) -> Sketch {
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
        Some(Colour::rgb(0.16, 0.28, 0.2).lit(0.003 * (x - door_x)))
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

fn street(grain: &Grain, dice: &mut Dice) -> Sketch {
    street_sketch(grain, dice)
}

fn night(grain: &Grain, dice: &mut Dice) -> Sketch {
    let mut sketch = street_sketch(grain, dice);
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

fn park(grain: &Grain, dice: &mut Dice) -> Sketch {
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

fn hall(grain: &Grain, dice: &mut Dice) -> Sketch {
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

fn notice(grain: &Grain, dice: &mut Dice) -> Sketch {
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

fn meadow(grain: &Grain) -> Sketch {
    Sketch::new(|x, y| {
        // A whole turn across, so that the ends meet.
        let across = 0.5 + 0.5 * libm::sinf(x / WIDTH * std::f32::consts::TAU);
        let down = y / HEIGHT;
        let level = 0.28 + 0.3 * across + 0.22 * down;
        Colour::rgb(level * 0.92, level, level * 0.72).lit(0.006 * fine(grain, x, y))
    })
}

fn chart(grain: &Grain) -> Sketch {
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
