//! A capture device by the platform's camera interface, through the `nokhwa` crate: webcam-like grabbers, and the only way to
//! a device where there is no V4L2.
//!
//! In: the number of a camera, and the operator's wishes. Out: frames as they come. Such an interface hands on pictures and
//! nothing else: no field order, no standard, no numbers, no clock that can be used; nothing of that is made up.
//!
//! A read of it blocks until a picture comes, for as long as that takes, and its handle cannot be moved between threads: so it
//! lives on a thread of its own, which ends with the first picture that nobody wants.
//!
//! Does not know: fields, measures, or who reads the frames.

use std::sync::Arc;
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, TrySendError, sync_channel};
use std::time::{Duration, Instant};

use nokhwa::Camera;
use nokhwa::utils::{
    CameraFormat, CameraIndex, FrameFormat, RequestedFormat, RequestedFormatType, Resolution,
};
use zune_jpeg::JpegDecoder;
use zune_jpeg::zune_core::bytestream::ZCursor;
use zune_jpeg::zune_core::colorspace::ColorSpace;
use zune_jpeg::zune_core::options::DecoderOptions;

use crate::sources::{
    Frame, FrameBuffer, FramePool, Gap, InputState, Open, PictureFormat, RowLayout, Source,
    SourceDescription, SourceError, SourceErrorKind, Wishes, pool_frames,
};

use super::choice::{Samples, Wanted, picture_format, spread_nv12, spread_triples, wanted};

/// How long a camera may deliver nothing before the caller hears of it.
const SILENCE: Duration = Duration::from_millis(500);

/// How long a camera may take to open; the system may ask the user for permission meanwhile.
const PATIENCE: Duration = Duration::from_secs(60);

/// Frames that may wait between the two threads: a quarter of a second, as a driver's own buffers hold.
const WAITING: usize = 8;

/// A camera, delivering frames.
#[derive(Debug)]
struct CameraSource {
    description: SourceDescription,
    format: Arc<PictureFormat>,
    told: Receiver<Told>,
}

/// What the camera's thread tells.
enum Told {
    Picture {
        data: FrameBuffer,
        arrived: Instant,
        /// Fields before it that found no room.
        left_out: u64,
        whole: bool,
    },
    Failed(SourceError),
}

/// What became of opening.
struct Opened {
    format: PictureFormat,
    description: SourceDescription,
}

impl CameraSource {
    fn open(number: u32, wishes: &Wishes) -> Result<Self, SourceError> {
        let (opened, until_open) = sync_channel(1);
        let (tell, told) = sync_channel(WAITING);
        let wishes = wishes.clone();
        std::thread::Builder::new()
            .name("camera".into())
            .spawn(move || live(number, &wishes, &opened, &tell))
            .map_err(|error| SourceError::io("starting the camera's thread", error))?;
        let Opened {
            format,
            description,
        } = until_open
            .recv_timeout(PATIENCE)
            .unwrap_or_else(|_none| Err(failure(number, "opening it took too long", Why::None)))?;
        Ok(Self {
            description,
            format: Arc::new(format),
            told,
        })
    }
}

impl Source for CameraSource {
    fn description(&self) -> &SourceDescription {
        &self.description
    }

    fn format(&self) -> &Arc<PictureFormat> {
        &self.format
    }

    fn next_frame(&mut self) -> Result<Option<Frame>, SourceError> {
        let name = &self.description.name;
        match self.told.recv_timeout(SILENCE) {
            Ok(Told::Picture {
                data,
                arrived,
                left_out,
                whole,
            }) => Ok(Some(Frame {
                format: Arc::clone(&self.format),
                rows: RowLayout::Woven,
                data,
                gap: Gap {
                    lost_by_us: left_out,
                    ..Gap::default()
                },
                device_time: None,
                arrived,
                damaged: !whole,
                input: InputState::Unsaid,
            })),
            Ok(Told::Failed(error)) => Err(error),
            Err(RecvTimeoutError::Timeout) => Err(SourceError::new(
                SourceErrorKind::Silent,
                format!("{name}: no picture for {} ms", SILENCE.as_millis()),
            )),
            Err(RecvTimeoutError::Disconnected) => Err(SourceError::new(
                SourceErrorKind::Gone,
                format!("{name}: the camera interface has ended"),
            )),
        }
    }

    fn is_device(&self) -> bool {
        true
    }
}

/// Opens a camera, and opens it again when it was lost.
#[derive(Debug)]
pub(in crate::sources) struct Opener {
    number: u32,
    wishes: Wishes,
}

impl Opener {
    pub(in crate::sources) fn new(number: u32, wishes: &Wishes) -> Self {
        Self {
            number,
            wishes: wishes.clone(),
        }
    }
}

impl Open for Opener {
    fn open(&mut self) -> Result<Box<dyn Source>, SourceError> {
        Ok(Box::new(CameraSource::open(self.number, &self.wishes)?))
    }
}

/// Why something failed, where the interface says.
enum Why {
    Said(String),
    None,
}

fn failure(number: u32, doing: &str, why: Why) -> SourceError {
    let why = match why {
        Why::Said(why) => format!(": {why}"),
        Why::None => String::new(),
    };
    SourceError::new(
        SourceErrorKind::Other,
        format!("camera:{number}: {doing}{why}; close other programs that use it, or name another"),
    )
}

/// The camera's life: permission, opening, pictures until nobody wants them or it fails.
fn live(
    number: u32,
    wishes: &Wishes,
    opened: &SyncSender<Result<Opened, SourceError>>,
    tell: &SyncSender<Told>,
) {
    let begun = permitted(number).and_then(|()| begin(number, wishes));
    let (mut camera, got) = match begun {
        Ok(begun) => begun,
        Err(error) => {
            let _ = opened.send(Err(error)); // nobody waits any more
            return;
        }
    };
    let (format, remarks) = picture_format(got, wishes);
    let bytes = format.buffer_bytes(format.rows);
    let mut reader = Reader {
        pool: FramePool::new(pool_frames(wishes.held_bytes, bytes), bytes),
        size: (format.width, format.rows),
        samples: got.samples,
        bytes,
    };
    let description = describe(number, &camera, got, remarks);
    let told = opened.send(Ok(Opened {
        format,
        description,
    }));
    if told.is_err() {
        return;
    }
    let mut left_out = 0;
    loop {
        let told = match camera.frame_raw() {
            Ok(picture) => {
                let arrived = Instant::now();
                let Some((data, whole)) = reader.read(&picture) else {
                    left_out += 2;
                    continue;
                };
                let left_out = std::mem::take(&mut left_out);
                Told::Picture {
                    data,
                    arrived,
                    left_out,
                    whole,
                }
            }
            Err(error) => {
                let why = Why::Said(error.to_string());
                let _ = tell.send(Told::Failed(failure(
                    number,
                    "reading a picture failed",
                    why,
                )));
                return;
            }
        };
        match tell.try_send(told) {
            Ok(()) => {}
            Err(TrySendError::Full(Told::Picture {
                left_out: before, ..
            })) => {
                left_out = before + 2;
            }
            Err(TrySendError::Full(Told::Failed(_)) | TrySendError::Disconnected(_)) => return,
        }
    }
}

/// Some systems ask the user first.
fn permitted(number: u32) -> Result<(), SourceError> {
    let (answer, answered) = sync_channel(1);
    nokhwa::nokhwa_initialize(move |granted| {
        let _ = answer.try_send(granted); // asked once, answered once
    });
    match answered.recv_timeout(PATIENCE) {
        Ok(true) => Ok(()),
        Ok(false) | Err(_) => Err(SourceError::new(
            SourceErrorKind::Denied,
            format!(
                "camera:{number}: the system does not permit this program to use cameras; allow it in the privacy settings"
            ),
        )),
    }
}

fn begin(number: u32, wishes: &Wishes) -> Result<(Camera, Wanted), SourceError> {
    let mut refusal = Why::None;
    for one in wanted(wishes) {
        let exact = CameraFormat::new(
            Resolution::new(one.width, one.rows),
            frame_format(one.samples),
            one.rate,
        );
        let kinds = [frame_format(one.samples)];
        let asked = RequestedFormat::with_formats(RequestedFormatType::Exact(exact), &kinds);
        match Camera::new(CameraIndex::Index(number), asked) {
            // Another size than asked for would be a scaled one.
            Ok(mut camera) if camera.camera_format() == exact => {
                camera.open_stream().map_err(|error| {
                    failure(number, "starting it failed", Why::Said(error.to_string()))
                })?;
                return Ok((camera, one));
            }
            Ok(_) => {}
            Err(error) => refusal = Why::Said(error.to_string()),
        }
    }
    let offers = offers(number);
    let doing = format!(
        "it delivers none of the formats of the two standards that can be read (YUYV, NV12, grey, MJPEG){offers}; \
         `--raster` asks for another size"
    );
    Err(failure(number, &doing, refusal))
}

/// What the camera offers, for the message.
fn offers(number: u32) -> String {
    let kinds = [Samples::Yuyv, Samples::Nv12, Samples::Grey, Samples::Jpeg].map(frame_format);
    let any = RequestedFormat::with_formats(RequestedFormatType::None, &kinds);
    let Ok(mut camera) = Camera::new(CameraIndex::Index(number), any) else {
        return String::new();
    };
    let Ok(formats) = camera.compatible_camera_formats() else {
        return String::new();
    };
    let said: Vec<String> = formats
        .iter()
        .take(12)
        .map(|it| {
            format!(
                "{}x{} {} {}/s",
                it.width(),
                it.height(),
                it.format(),
                it.frame_rate()
            )
        })
        .collect();
    format!(", but {}", said.join(", "))
}

fn frame_format(samples: Samples) -> FrameFormat {
    match samples {
        Samples::Yuyv => FrameFormat::YUYV,
        Samples::Nv12 => FrameFormat::NV12,
        Samples::Grey => FrameFormat::GRAY,
        Samples::Jpeg => FrameFormat::MJPEG,
    }
}

fn describe(number: u32, camera: &Camera, got: Wanted, remarks: Vec<String>) -> SourceDescription {
    let detail = |name: &str, value: String| (name.to_owned(), value);
    SourceDescription {
        name: format!("camera:{number}"),
        kind: "camera interface".to_owned(),
        live: true,
        frames: None,
        details: vec![
            detail("card", camera.info().human_name()),
            detail("interface", camera.backend().to_string()),
            detail("pixel format", frame_format(got.samples).to_string()),
            detail("buffer", format!("{}x{}", got.width, got.rows)),
            detail(
                "pictures a second, as the interface says",
                got.rate.to_string(),
            ),
        ],
        controls: Vec::new(),
        remarks,
    }
}

/// Makes frames of what the interface hands on.
struct Reader {
    pool: FramePool,
    size: (usize, usize),
    samples: Samples,
    bytes: usize,
}

impl Reader {
    /// A frame of a picture, and whether all of it was there; `None` when all buffers are held.
    fn read(&mut self, picture: &[u8]) -> Option<(FrameBuffer, bool)> {
        let Self {
            size,
            samples,
            bytes,
            ..
        } = *self;
        let mut vacant = self.pool.vacant()?;
        let into = &mut vacant.bytes_mut()[..bytes];
        let whole = match samples {
            Samples::Yuyv | Samples::Grey => {
                let there = picture.len().min(bytes);
                into[..there].copy_from_slice(&picture[..there]);
                there == bytes
            }
            Samples::Nv12 => spread_nv12(picture, size, into),
            Samples::Jpeg => spread_jpeg(picture, size, into),
        };
        Some((vacant.fill(), whole))
    }
}

/// Decodes a picture of that size into three planes; whether it was one.
fn spread_jpeg(picture: &[u8], size: (usize, usize), planes: &mut [u8]) -> bool {
    let options = DecoderOptions::default().jpeg_set_out_colorspace(ColorSpace::YCbCr);
    let mut decoder = JpegDecoder::new_with_options(ZCursor::new(picture), options);
    let Ok(triples) = decoder.decode() else {
        return false;
    };
    decoder.dimensions() == Some(size) && spread_triples(&triples, size, planes)
}
