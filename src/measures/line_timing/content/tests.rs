//! Fields of a scene that is a formula, so that it can be looked at anywhere: nothing is interpolated.

use std::f64::consts::TAU;

use super::*;

const WIDTH: usize = 720;
const ROWS: usize = 240;

/// Numbers without visible order.
struct Chance(u64);

impl Chance {
    /// 0 to 1.
    fn even(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut x = self.0;
        x = (x ^ (x >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        x = (x ^ (x >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((x ^ (x >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
    }

    fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.even()
    }

    /// Mean 0, variance 1.
    fn normal(&mut self) -> f64 {
        (-2.0 * (1.0 - self.even()).ln()).sqrt() * (TAU * self.even()).cos()
    }
}

/// Waves over the whole picture and soft-edged slanted posts, in codes; x in samples, y in frame lines.
struct Scene {
    waves: Vec<[f64; 4]>,
    posts: Vec<[f64; 6]>,
}

impl Scene {
    fn new(seed: u64) -> Self {
        let mut chance = Chance(seed);
        let waves = (0..14)
            .map(|_| {
                let size = chance.between(0.01, 0.16);
                let way = chance.between(0.0, TAU);
                [
                    size * way.cos(),
                    0.7 * size * way.sin(),
                    chance.between(0.0, TAU),
                    0.25 / size.max(0.05),
                ]
            })
            .collect();
        let posts = (0..30)
            .map(|_| {
                [
                    chance.between(-100.0, 820.0),
                    chance.between(-50.0, 530.0),
                    chance.between(10.0, 60.0),
                    chance.between(40.0, 160.0),
                    chance.between(-0.5, 0.5),
                    chance.between(-40.0, 40.0),
                ]
            })
            .collect();
        Self { waves, posts }
    }

    fn at(&self, x: f64, y: f64) -> f64 {
        let mut value = 118.0;
        for [fx, fy, phase, height] in &self.waves {
            value += height * (TAU * (fx * x + fy * y) + phase).sin();
        }
        for [cx, cy, half_width, half_height, slant, height] in &self.posts {
            let across = x - cx - slant * (y - cy);
            let down = y - cy;
            if across.abs() < half_width + 8.0 && down.abs() < half_height + 12.0 {
                let soft = |d: f64, width: f64| 1.0 / (1.0 + (-d / width).exp());
                value += height
                    * soft(half_width - across.abs(), 0.9)
                    * soft(half_height - down.abs(), 1.6);
            }
        }
        value
    }
}

/// Where a camera looks in one field.
#[derive(Clone, Copy, Default)]
struct Camera {
    across: f64,
    /// Frame lines.
    down: f64,
    turned: f64,
    grown: f64,
}

impl Camera {
    fn at(&self, x: f64, y: f64) -> (f64, f64) {
        let (dx, dy) = (x - 360.0, (y - 240.0) * 1.1);
        let (c, s) = (self.turned.cos(), self.turned.sin());
        let scale = 1.0 - self.grown;
        (
            360.0 + scale * (c * dx + s * dy) - self.across,
            240.0 + scale * (c * dy - s * dx) / 1.1 - self.down,
        )
    }
}

/// A field with its lines displaced.
fn field(
    scene: &Scene,
    camera: Camera,
    bottom: bool,
    lines: &[f64],
    noise: f64,
    chance: &mut Chance,
) -> Plane {
    plane_of(|x, row| {
        let y = (2 * row + usize::from(bottom)) as f64;
        let (sx, sy) = camera.at(x - lines[row], y);
        scene.at(sx, sy) + noise * chance.normal()
    })
}

/// A field whose samples are `value(x, row)`, in whole codes.
fn plane_of(mut value: impl FnMut(f64, usize) -> f64) -> Plane {
    let code = |at| value((at % WIDTH) as f64, at / WIDTH).round();
    Plane {
        samples: (0..ROWS * WIDTH)
            .map(code)
            .map(|code| code.clamp(1.0, 254.0) as u8)
            .collect(),
        width: WIDTH,
        rows: ROWS,
    }
}

/// By row: error and reported sigma of good lines, in samples.
type Errors = Vec<Option<(f64, f64)>>;

/// What came of a run.
#[derive(Debug)]
struct Outcome {
    /// Of good lines, rms, samples.
    error: f64,
    /// Good lines of all.
    covered: f64,
    /// Robust spread of error over reported sigma.
    honesty: f64,
    averaged: f32,
}

/// Runs `fields` fields; scores from the ninth on, without each field's straight line and each line's mean.
fn run(
    seed: u64,
    fields: usize,
    noise: f64,
    jitter: f64,
    camera: impl Fn(usize) -> Camera,
) -> Outcome {
    let scene = Scene::new(seed);
    let mut chance = Chance(seed ^ 0x55);
    let mut timing = ContentTiming::new();
    let mut errors: [Vec<Errors>; 2] = [Vec::new(), Vec::new()];
    let mut averaged = 0.0;
    for nth in 0..fields {
        let bottom = nth % 2 == 1;
        let lines: Vec<f64> = (0..ROWS).map(|_| jitter * chance.normal()).collect();
        let luma = field(&scene, camera(nth), bottom, &lines, noise, &mut chance);
        let parity = if bottom { Parity::Bottom } else { Parity::Top };
        let trace = timing.time(&luma, parity, 0..WIDTH);
        averaged = trace.averaged();
        if nth >= 8 {
            let error = (0..ROWS)
                .map(|row| {
                    let shift = trace.line(row)?;
                    (shift.variance < 0.01).then(|| {
                        (
                            f64::from(shift.value) - lines[row],
                            f64::from(shift.variance).sqrt(),
                        )
                    })
                })
                .collect();
            errors[usize::from(bottom)].push(error);
        }
    }
    let (mut square, mut count, mut ratios, mut all) = (0.0, 0.0, Vec::new(), 0.0);
    for head in &mut errors {
        for field in head.iter_mut() {
            take_out_line(field);
        }
        for row in 0..ROWS {
            let own: Vec<(f64, f64)> = head.iter().filter_map(|field| field[row]).collect();
            all += head.len() as f64;
            if own.len() < 3 {
                continue;
            }
            let n = own.len() as f64;
            let mean = own.iter().map(|(e, _)| e).sum::<f64>() / n;
            for (error, sigma) in own {
                let error = (error - mean) / (1.0 - 1.0 / n).sqrt();
                square += error * error;
                count += 1.0;
                ratios.push((error / sigma) as f32);
            }
        }
    }
    let honesty =
        robust::median_and_spread(&mut ratios).map_or(0.0, |(_, spread)| f64::from(spread));
    Outcome {
        error: (square / count).sqrt(),
        covered: count / all,
        honesty,
        averaged,
    }
}

fn take_out_line(field: &mut [Option<(f64, f64)>]) {
    let (mut n, mut x, mut xx, mut y, mut xy) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for (row, error) in field.iter().enumerate() {
        if let Some((error, _)) = error {
            let r = row as f64;
            n += 1.0;
            x += r;
            xx += r * r;
            y += error;
            xy += r * error;
        }
    }
    let slope = (n * xy - x * y) / (n * xx - x * x);
    for (row, error) in field.iter_mut().enumerate() {
        if let Some((error, _)) = error {
            *error -= (y - slope * x) / n + slope * row as f64;
        }
    }
}

const JITTER: f64 = 0.5;

fn still(_: usize) -> Camera {
    Camera::default()
}

/// A hand's shake: some samples and lines, a quarter of a degree, a percent of zoom.
fn held(field: usize) -> Camera {
    let t = field as f64 / 60.0;
    Camera {
        across: 8.0 * (TAU * 1.3 * t).sin(),
        down: 5.0 * (TAU * 1.7 * t + 1.0).sin(),
        turned: 0.004 * (TAU * 0.9 * t).sin(),
        grown: 0.01 * (TAU * 0.5 * t).sin(),
    }
}

#[test]
fn jitter_before_a_still_and_a_panning_camera_is_read_to_a_part_of_a_sample() {
    let pan = |n: usize| Camera {
        across: 1.7 * n as f64,
        ..Camera::default()
    };
    for outcome in [
        run(7, 20, 2.76, JITTER, still),
        run(11, 20, 2.76, JITTER, pan),
    ] {
        assert!(
            outcome.error < 0.045 && outcome.covered > 0.9,
            "{outcome:?}"
        );
        assert!((0.7..1.25).contains(&outcome.honesty), "{outcome:?}");
        assert!(outcome.averaged > 5.0, "{outcome:?}");
    }
}

#[test]
fn a_moving_camera_alone_makes_no_jitter() {
    let turn = |n: usize| Camera {
        turned: 0.001 * n as f64,
        ..Camera::default()
    };
    let zoom = |n: usize| Camera {
        grown: 0.004 * n as f64,
        ..Camera::default()
    };
    let tilt = |n: usize| Camera {
        down: 0.74 * n as f64,
        ..Camera::default()
    };
    for outcome in [
        run(7, 16, 1.1, 0.0, turn),
        run(7, 16, 1.1, 0.0, zoom),
        run(7, 16, 1.1, 0.0, tilt),
        run(7, 16, 1.1, 0.0, held),
    ] {
        assert!(outcome.error < 0.06 && outcome.covered > 0.6, "{outcome:?}");
    }
}

/// A striped van that drives through a scene, in front of all of it.
fn van_before(scene: &Scene, field: usize, x: f64, y: f64) -> f64 {
    let (dx, dy) = (x - 640.0 + 3.17 * field as f64, y - 215.0);
    let inside = (dx / 130.0).powi(6) + (dy / 110.0).powi(6) < 1.0;
    if inside {
        90.0 - 0.15 * dy + 22.0 * (TAU * (dx + 0.6 * dy) / 40.0).sin()
    } else {
        scene.at(x, y)
    }
}

#[test]
fn a_large_thing_that_passes_takes_no_line_along() {
    let plain = Scene {
        waves: vec![[0.002, 0.013, 0.3, 9.0]],
        posts: Vec::new(),
    };
    for (name, scene) in [("rich", Scene::new(7)), ("plain", plain)] {
        let mut chance = Chance(31);
        let mut timing = ContentTiming::new();
        let mut seen = 0;
        for nth in 0..120 {
            let bottom = nth % 2 == 1;
            let luma = plane_of(|x, row| {
                let y = (2 * row + usize::from(bottom)) as f64;
                van_before(&scene, nth, x, y) + 1.5 * chance.normal()
            });
            let parity = if bottom { Parity::Bottom } else { Parity::Top };
            let trace = timing.time(&luma, parity, 0..WIDTH);
            let good = |row: &usize| trace.line(*row).filter(|shift| shift.variance < 0.0625);
            let lines: Vec<(usize, Shift)> = (0..ROWS)
                .filter_map(|row| Some((row, good(&row)?)))
                .collect();
            let mut values: Vec<f32> = lines.iter().map(|(_, shift)| shift.value).collect();
            let Some(middle) = robust::median(&mut values) else {
                continue;
            };
            // It goes 6.3 samples from one field of a parity to the next: who stands nearer to that went with it.
            let astray = lines
                .iter()
                .filter(|(_, shift)| (shift.value - middle).abs() > 0.5 * 6.34);
            let astray: Vec<_> = astray.collect();
            assert!(astray.is_empty(), "{name}, field {nth}: {astray:?}");
            seen += usize::from(lines.len() > ROWS / 2);
        }
        assert!(name == "plain" || seen > 100, "{name}: {seen}");
    }
}

/// Upright stripes tell nothing of what goes up and down; noise must not pass for it.
#[test]
fn upright_stripes_alone_stay_where_they_are() {
    const STEPS: [f64; 8] = [180.0, 162.0, 131.0, 112.0, 84.0, 65.0, 35.0, 16.0];
    for noise in [0.7, 2.2] {
        let mut chance = Chance(17);
        let mut timing = ContentTiming::new();
        for nth in 0..240 {
            let bottom = nth % 2 == 1;
            let luma = plane_of(|x, _| {
                let place = x / 90.0;
                let (stripe, within) = (place as usize, place.fract() * 90.0);
                let next = STEPS[(stripe + 1).min(7)];
                let soft = 1.0 / (1.0 + ((88.0 - within) / 0.9).exp());
                STEPS[stripe] + (next - STEPS[stripe]) * soft + noise * chance.normal()
            });
            let parity = if bottom { Parity::Bottom } else { Parity::Top };
            let trace = timing.time(&luma, parity, 0..WIDTH);
            let mut lines: Vec<Option<(f64, f64)>> = (0..ROWS)
                .map(|row| trace.line(row).map(|shift| (f64::from(shift.value), 1.0)))
                .collect();
            let seen = lines.iter().flatten().count();
            assert!(nth < 2 || seen > ROWS * 3 / 4, "field {nth}: {seen} lines");
            let lean = {
                let ends = [lines[2], lines[ROWS - 3]].map(|line| line.map_or(0.0, |line| line.0));
                ends[1] - ends[0]
            };
            take_out_line(&mut lines);
            let square: f64 = lines.iter().flatten().map(|(error, _)| error * error).sum();
            let rms = (square / seen.max(1) as f64).sqrt();
            assert!(
                rms < 0.08 * noise && lean.abs() < 0.5 * noise,
                "noise {noise}, field {nth}: {rms}, {lean}"
            );
        }
    }
}

#[test]
fn a_cut_says_nothing_until_the_new_scene_was_seen_twice() {
    let mut chance = Chance(5);
    let mut timing = ContentTiming::new();
    let lines = [0.0; ROWS];
    for nth in 0..12 {
        let scene = Scene::new(if nth < 8 { 3 } else { 4 });
        let bottom = nth % 2 == 1;
        let luma = field(&scene, Camera::default(), bottom, &lines, 2.0, &mut chance);
        let parity = if bottom { Parity::Bottom } else { Parity::Top };
        let trace = timing.time(&luma, parity, 0..WIDTH);
        let seen = (0..ROWS).filter(|&row| trace.line(row).is_some()).count();
        let new = nth < 2 || (8..10).contains(&nth);
        assert_eq!(trace.cut(), (8..10).contains(&nth), "field {nth}");
        assert_eq!(seen > ROWS / 2, !new, "field {nth}: {seen} lines");
    }
}

#[test]
fn a_picture_without_detail_says_nothing() {
    let mut timing = ContentTiming::new();
    let mut chance = Chance(9);
    let scene = Scene {
        waves: Vec::new(),
        posts: Vec::new(),
    };
    for nth in 0..10 {
        let luma = field(
            &scene,
            Camera::default(),
            false,
            &[0.0; ROWS],
            3.0,
            &mut chance,
        );
        let trace = timing.time(&luma, Parity::Top, 0..WIDTH);
        let seen = (0..ROWS)
            .filter_map(|row| trace.line(row))
            .filter(|shift| shift.variance < 0.0625)
            .count();
        assert!(seen < 5, "field {nth}: {seen} lines");
    }
}

#[test]
fn two_cores_say_what_one_says_to_the_last_bit() {
    let mut chance = Chance(21);
    let mut alone = ContentTiming::new();
    let mut shared = ContentTiming::new();
    shared.set_hands(Hands::Pool);
    let pool = rayon::ThreadPoolBuilder::new()
        .num_threads(3)
        .build()
        .expect("a test may start threads");
    for nth in 0..14 {
        let scene = Scene::new(if nth < 10 { 13 } else { 14 });
        let bottom = nth % 2 == 1;
        let lines: Vec<f64> = (0..ROWS).map(|_| JITTER * chance.normal()).collect();
        let luma = field(&scene, held(nth), bottom, &lines, 2.0, &mut chance);
        let parity = if bottom { Parity::Bottom } else { Parity::Top };
        let one = alone.time(&luma, parity, 0..WIDTH);
        let two = pool.install(|| shared.time(&luma, parity, 0..WIDTH));
        let bits = |trace: &ContentTrace| -> Vec<Option<[u32; 2]>> {
            let line = |row| trace.line(row);
            let bits = |shift: Shift| [shift.value.to_bits(), shift.variance.to_bits()];
            (0..ROWS).map(|row| line(row).map(bits)).collect()
        };
        assert_eq!(bits(one), bits(two), "field {nth}");
        assert_eq!(one.cut(), two.cut(), "field {nth}");
        if (2..10).contains(&nth) {
            assert!(bits(one).iter().flatten().count() > ROWS / 2, "field {nth}");
        }
    }
}
