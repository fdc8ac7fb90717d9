//! Chains of known contrast, brightness, colour, response and noise, made of the samples of a rendered tape; they share nothing with
//! the program.

/// Luma samples and lines of a frame.
const SIZE: (usize, usize) = (720, 480);

/// What a chain does to the tape.
#[derive(Clone, Copy)]
pub(crate) struct Chain {
    pub(crate) gain: f64,
    /// Codes.
    pub(crate) lift: f64,
    pub(crate) saturation: f64,
    pub(crate) hue_degrees: f64,
    /// The pass begins at this frame of the tape.
    pub(crate) first: usize,
    /// This frame never arrives.
    pub(crate) lost: Option<usize>,
    /// Of the chain's own noise.
    pub(crate) seed: u64,
    /// Luma is averaged over a sample and half of either neighbour: cos²(π f / 13.5 MHz).
    pub(crate) soft: bool,
    /// Colour is the mean of this sample and so many less one before, twice.
    pub(crate) colour_mean: usize,
}

pub(crate) const PLAIN: Chain = Chain {
    gain: 1.0,
    lift: 0.0,
    saturation: 1.0,
    hue_degrees: 0.0,
    first: 0,
    lost: None,
    seed: 1,
    soft: false,
    colour_mean: 1,
};

/// Sample rate of colour, in MHz.
pub(crate) const COLOUR_RATE: f64 = 6.75;

/// What the mean of so many samples, twice, makes of a frequency, in dB.
pub(crate) fn mean_decibels(samples: usize, megahertz: f64) -> f64 {
    let turn = std::f64::consts::PI * megahertz / COLOUR_RATE;
    let count = samples as f64;
    40.0 * ((count * turn).sin() / (count * turn.sin())).abs().log10()
}

/// The mean of each sample and those before it.
fn late_mean(line: &[f64], samples: usize) -> Vec<f64> {
    let mean = |x: usize| {
        let before = (0..samples).map(|back| line[x.saturating_sub(back)]);
        before.sum::<f64>() / samples as f64
    };
    (0..line.len()).map(mean).collect()
}

/// Plain random numbers (xorshift of Marsaglia, 2003).
struct Dice(u64);

impl Dice {
    fn next(&mut self) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0
    }

    /// From −1.5 to 1.5 codes.
    fn noise(&mut self) -> f64 {
        3.0 * ((self.next() >> 40) as f64 / (1_u64 << 24) as f64 - 0.5)
    }
}

fn code(value: f64) -> u8 {
    value.round().clamp(1.0, 254.0) as u8
}

/// The frame as the chain hands it on.
fn through(chain: &Chain, dice: &mut Dice, frame: &[u8]) -> Vec<u8> {
    let (luma, colour) = (SIZE.0 * SIZE.1, SIZE.0 / 2 * SIZE.1);
    let mut out = Vec::with_capacity(frame.len());
    for line in frame[..luma].chunks_exact(SIZE.0) {
        let at = |x: usize| f64::from(line[x.min(SIZE.0 - 1)]);
        for x in 0..SIZE.0 {
            let sample = if chain.soft {
                0.25 * (at(x.saturating_sub(1)) + at(x + 1)) + 0.5 * at(x)
            } else {
                at(x)
            };
            out.push(code(
                16.0 + (sample - 16.0) * chain.gain + chain.lift + dice.noise(),
            ));
        }
    }
    let (re, im) = (
        chain.saturation * chain.hue_degrees.to_radians().cos(),
        chain.saturation * chain.hue_degrees.to_radians().sin(),
    );
    let (blue, red) = frame[luma..].split_at(colour);
    let (mut cb, mut cr) = (Vec::with_capacity(colour), Vec::with_capacity(colour));
    let lines = |plane: &'_ [u8]| -> Vec<f64> {
        let lines = plane.chunks_exact(SIZE.0 / 2);
        lines
            .flat_map(|line| {
                let line: Vec<f64> = line.iter().map(|&code| f64::from(code) - 128.0).collect();
                let once = late_mean(&line, chain.colour_mean);
                late_mean(&once, chain.colour_mean)
            })
            .collect()
    };
    for (b, r) in lines(blue).into_iter().zip(lines(red)) {
        cb.push(code(128.0 + re * b - im * r + dice.noise()));
        cr.push(code(128.0 + re * r + im * b + dice.noise()));
    }
    out.extend(cb);
    out.extend(cr);
    out
}

/// A rendered tape, Y4M of 4:2:2 and eight bits, as the chain hands it on.
pub(crate) fn played(tape: &[u8], chain: &Chain) -> Vec<u8> {
    let head = tape
        .iter()
        .position(|&byte| byte == b'\n')
        .expect("a header")
        + 1;
    let frame = "FRAME\n".len() + 2 * SIZE.0 * SIZE.1;
    let mut out = Vec::with_capacity(tape.len());
    out.extend_from_slice(&tape[..head]);
    let mut dice = Dice(chain.seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1);
    for (at, one) in tape[head..]
        .chunks_exact(frame)
        .enumerate()
        .skip(chain.first)
    {
        if chain.lost != Some(at) {
            out.extend_from_slice(b"FRAME\n");
            out.extend(through(chain, &mut dice, &one["FRAME\n".len()..]));
        }
    }
    out
}
