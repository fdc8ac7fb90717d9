//! Stretches of the simulated tape: rendered on the host, played in the guest, measured again on the host.

use std::error::Error;
use std::fs::{self, File};
use std::io::BufWriter;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::Arc;
use std::time::Instant;

use trueline::sources::tape::Pace;
use trueline::sources::{
    FieldOrder, Frame, FrameBuffer, FramePool, Gap, InputState, PictureFormat, Place, RowLayout,
    Wishes, open,
};
use trueline::standard::Standard;
use trueline::views::y4m::Y4mWriter;

use crate::driver::{INTERLACED, NTSC_M, PAL, Setting};
use crate::output_node::Player;

/// A scene in one standard.
#[derive(Debug)]
pub(crate) struct Clip {
    /// The case in the guest that plays it.
    pub(crate) case: &'static str,
    scene: &'static str,
    pub(crate) standard: Standard,
}

/// One for each standard: white jitter, and a bent top over a head switch.
pub(crate) const CLIPS: [Clip; 2] = [
    Clip {
        case: "the_program_measures_525_lines_as_offline",
        scene: "jitter",
        standard: Standard::Lines525,
    },
    Clip {
        case: "the_program_measures_625_lines_as_offline",
        scene: "flagging",
        standard: Standard::Lines625,
    },
];

/// Long enough for every quantity to come up, short enough for the guest's memory.
const SECONDS: &str = "2";

impl Clip {
    /// The clip of a standard.
    pub(crate) fn of(standard: Standard) -> &'static Self {
        let mut clips = CLIPS.iter();
        let found = clips.find(|clip| clip.standard == standard);
        found.expect("there is one for each standard")
    }

    /// As the command line names the standard.
    pub(crate) fn lines(&self) -> &'static str {
        self.standard.word()
    }

    /// The order the driver gives this standard's fields; frames are taken so whatever they were rendered as.
    pub(crate) fn field_order(&self) -> FieldOrder {
        match self.standard {
            Standard::Lines525 => FieldOrder::Bottom,
            Standard::Lines625 => FieldOrder::Top,
        }
    }

    /// What the program recorded of it from the device.
    pub(crate) fn live_pass(&self, share: &Path) -> PathBuf {
        share.join(format!("live-{}.pass", self.lines()))
    }

    fn packed(&self, share: &Path) -> PathBuf {
        share.join(format!("{}.yuyv", self.lines()))
    }

    fn rendered(&self, share: &Path) -> PathBuf {
        share.join(format!("{}.y4m", self.lines()))
    }

    /// Renders it, and lays it out as the driver's buffers want it.
    pub(crate) fn prepare(&self, share: &Path) -> Result<(), Box<dyn Error>> {
        let rendered = self.rendered(share);
        program(
            Command::new(env!("CARGO_BIN_EXE_trueline"))
                .args(["tape", "--scene", self.scene, "--standard", self.lines()])
                .args(["--seconds", SECONDS, "-o"])
                .arg(&rendered),
        )?;
        let frames = self.frames(share)?;
        let packed: Vec<u8> = frames.iter().flat_map(pack).collect();
        fs::write(self.packed(share), packed)?;
        Ok(())
    }

    /// The program's own measurement of some of its frames, from a file of this name; where the pass lies.
    pub(crate) fn scan(
        &self,
        share: &Path,
        name: &str,
        frames: &[&Frame],
    ) -> Result<PathBuf, Box<dyn Error>> {
        let file = share.join(format!("{name}-{}.y4m", self.lines()));
        let mut writer = Y4mWriter::new(BufWriter::new(File::create(&file)?));
        for frame in frames {
            writer.frame(frame)?;
        }
        writer.finish()?;
        let pass = file.with_extension("pass");
        program(
            Command::new(env!("CARGO_BIN_EXE_trueline"))
                .arg("scan")
                .arg(&file)
                .arg("--record")
                .arg(&pass),
        )?;
        Ok(pass)
    }

    /// Its frames in order, with the device's word for what they are.
    pub(crate) fn frames(&self, share: &Path) -> Result<Vec<Frame>, Box<dyn Error>> {
        let place = Place::File(self.rendered(share));
        let mut source = open(&place, &Wishes::default(), Pace::Free { frames: None })?;
        let format = Arc::new(PictureFormat {
            field_order: Some(self.field_order()),
            ..(**source.format()).clone()
        });
        let mut frames = Vec::new();
        while let Some(frame) = source.next_frame()? {
            frames.push(as_captured(&format, keep(frame.data.bytes())));
        }
        Ok(frames)
    }

    /// Plays it over and over on the output node.
    pub(crate) fn play(&self, share: &Path) -> Player {
        let bits = match self.standard {
            Standard::Lines525 => NTSC_M,
            Standard::Lines625 => PAL,
        };
        let setting = Setting::woven(bits, INTERLACED);
        let packed = fs::read(self.packed(share)).expect("the host put it there");
        let count = packed.len() / setting.bytes();
        Player::start_with(setting, move |number, buffer| {
            let start = number as usize % count * buffer.len();
            buffer.copy_from_slice(&packed[start..start + buffer.len()]);
        })
    }
}

fn program(command: &mut Command) -> Result<(), Box<dyn Error>> {
    let output = command.output()?;
    if output.status.success() {
        return Ok(());
    }
    Err(format!("{command:?}: {}", String::from_utf8_lossy(&output.stderr)).into())
}

/// A buffer that belongs to no source's small pool.
fn keep(bytes: &[u8]) -> FrameBuffer {
    let mut pool = FramePool::new(1, bytes.len());
    let mut vacant = pool.vacant().expect("a new pool has room");
    vacant.bytes_mut().copy_from_slice(bytes);
    vacant.fill()
}

fn as_captured(format: &Arc<PictureFormat>, data: FrameBuffer) -> Frame {
    Frame {
        format: Arc::clone(format),
        rows: RowLayout::Woven,
        data,
        gap: Gap::default(),
        device_time: None,
        arrived: Instant::now(),
        damaged: false,
        input: InputState::Locked,
    }
}

/// Y Cb Y Cr out of three planes.
fn pack(frame: &Frame) -> Vec<u8> {
    let planes = frame.format.planes(frame.format.rows);
    let [luma, cb, cr] = planes.map(|plane| {
        let plane = plane.expect("the simulated tape is in colour");
        &frame.data.bytes()[plane.offset..plane.offset + plane.stride * plane.rows]
    });
    assert_eq!(luma.len(), 2 * cb.len(), "4:2:2");
    let pairs = luma.chunks_exact(2).zip(cb).zip(cr);
    pairs
        .flat_map(|((y, &cb), &cr)| [y[0], cb, y[1], cr])
        .collect()
}
