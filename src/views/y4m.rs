//! Frames as a Y4M stream.
//!
//! In: [`Frame`]s of any packing, grid and depth a source has. Out: a header and one `FRAME` each, samples unaltered: packed
//! ones are laid out in planes, rows of two fields one after the other are woven, a field alone waits for its partner.
//!
//! Does not know: where the stream goes, or what the frames show.

use std::io::{self, Write};

use crate::sources::{
    ChromaGrid, ChromaSiting, FieldOrder, Frame, Packing, PictureFormat, RowLayout,
};
use crate::standard::{Parity, Standard};
use crate::units::CodeRange;

/// Why a frame could not be written.
#[derive(Debug, thiserror::Error)]
pub enum Y4mError {
    /// The format has no name in Y4M.
    #[error("writing Y4M: it has no name for {grid:?} at {depth} bits a sample")]
    NoName {
        /// Grid.
        grid: ChromaGrid,
        /// Depth.
        depth: u8,
    },
    /// The stream began with another format.
    #[error(
        "writing Y4M: the picture format changed in mid-stream, which Y4M cannot say; begin another file"
    )]
    FormatChanged,
    /// The buffer is shorter than its format says.
    #[error("writing Y4M: a frame of {found} bytes where its format needs {expected}")]
    Short {
        /// Bytes there are.
        found: usize,
        /// Bytes there should be.
        expected: usize,
    },
    /// Writing failed.
    #[error("writing Y4M")]
    Io(#[from] io::Error),
}

/// Writes the stream's header.
///
/// # Errors
/// When the format has no name in Y4M, or writing fails.
pub fn write_header(out: &mut impl Write, format: &PictureFormat) -> Result<(), Y4mError> {
    let colour = colour_tag(format)?;
    let (rate, aspect) = match format.standard {
        Some(Standard::Lines525) => ("30000:1001", "10:11"),
        Some(Standard::Lines625) => ("25:1", "59:54"),
        None => ("0:0", "0:0"),
    };
    // The aspect is that of a sample at 13.5 MHz; other rates stretch it.
    let aspect = if format.width == 720 || format.width == 704 {
        aspect
    } else {
        "0:0"
    };
    let interlace = match format.field_order {
        Some(FieldOrder::Top) => 't',
        Some(FieldOrder::Bottom) => 'b',
        Some(FieldOrder::Progressive) => 'p',
        None => '?',
    };
    let range = match format.range {
        CodeRange::Studio => "LIMITED",
        CodeRange::Full => "FULL",
    };
    let (width, rows) = (format.width, format.rows);
    writeln!(
        out,
        "YUV4MPEG2 W{width} H{rows} F{rate} I{interlace} A{aspect} C{colour} XCOLORRANGE={range}"
    )?;
    Ok(())
}

/// The name of grid, siting and depth.
fn colour_tag(format: &PictureFormat) -> Result<String, Y4mError> {
    let depth = format.samples.depth;
    let grid = format.samples.chroma;
    let deep = depth > 8;
    let name = match grid {
        ChromaGrid::Mono if deep => format!("mono{depth}"),
        ChromaGrid::Mono => "mono".to_owned(),
        ChromaGrid::Half if deep => format!("422p{depth}"),
        ChromaGrid::Half => "422".to_owned(),
        ChromaGrid::Full if deep => format!("444p{depth}"),
        ChromaGrid::Full => "444".to_owned(),
        ChromaGrid::Half2x2(_) if deep => format!("420p{depth}"),
        ChromaGrid::Half2x2(ChromaSiting::Centre) => "420jpeg".to_owned(),
        ChromaGrid::Half2x2(ChromaSiting::Left) => "420mpeg2".to_owned(),
        ChromaGrid::Half2x2(ChromaSiting::AlternateRows) => "420paldv".to_owned(),
        ChromaGrid::Half2x2(ChromaSiting::Unsaid) => "420".to_owned(),
        ChromaGrid::Quarter if deep => return Err(Y4mError::NoName { grid, depth }),
        ChromaGrid::Quarter => "411".to_owned(),
    };
    Ok(name)
}

/// A Y4M stream being written.
#[derive(Debug)]
pub struct Y4mWriter<W> {
    out: W,
    format: Option<PictureFormat>,
    /// One planar, woven frame.
    frame: Vec<u8>,
    /// The field that waits for its partner.
    waiting: Option<Parity>,
}

impl<W: Write> Y4mWriter<W> {
    /// A stream that begins with the first frame.
    pub fn new(out: W) -> Self {
        Self {
            out,
            format: None,
            frame: Vec::new(),
            waiting: None,
        }
    }

    /// Writes one frame, or keeps one field until the other comes. A field whose partner was lost is dropped with it.
    ///
    /// # Errors
    /// When the format has no name in Y4M or is not the first frame's, the buffer is too short, or writing fails.
    pub fn frame(&mut self, frame: &Frame) -> Result<(), Y4mError> {
        self.begin(&frame.format)?;
        let format = &frame.format;
        let (held, expected) = checked_size(frame)?;
        let planar = format.samples.packing == Packing::Planar;
        if planar && format.padded_stride.is_none() && frame.rows == RowLayout::Woven {
            return self.put(&frame.data.bytes()[..expected]);
        }
        lay_out(frame, held, &mut self.frame);
        if let RowLayout::Single(parity) = frame.rows
            && self.waiting.replace(parity) != Some(parity.other())
        {
            return Ok(());
        }
        self.waiting = None;
        self.put_woven()
    }

    /// Puts the rows of a frame, or of a single field, where they belong in the woven picture, without writing it.
    ///
    /// # Errors
    /// As of [`Y4mWriter::frame`].
    pub fn weave(&mut self, frame: &Frame) -> Result<(), Y4mError> {
        self.begin(&frame.format)?;
        let (held, _) = checked_size(frame)?;
        lay_out(frame, held, &mut self.frame);
        Ok(())
    }

    /// Writes the woven picture as it is: once more, if it was written before.
    ///
    /// # Errors
    /// When writing fails.
    pub fn put_woven(&mut self) -> Result<(), Y4mError> {
        self.out.write_all(b"FRAME\n")?;
        self.out.write_all(&self.frame)?;
        Ok(())
    }

    /// Hands on what is still buffered, and the writer.
    ///
    /// # Errors
    /// When writing fails.
    pub fn finish(mut self) -> Result<W, Y4mError> {
        self.out.flush()?;
        Ok(self.out)
    }

    fn put(&mut self, samples: &[u8]) -> Result<(), Y4mError> {
        self.out.write_all(b"FRAME\n")?;
        self.out.write_all(samples)?;
        Ok(())
    }

    fn begin(&mut self, format: &PictureFormat) -> Result<(), Y4mError> {
        match &self.format {
            None => {
                write_header(&mut self.out, format)?;
                self.frame.resize(planar_bytes(format), 0);
                self.format = Some(format.clone());
                Ok(())
            }
            Some(begun) if begun == format => Ok(()),
            Some(_) => Err(Y4mError::FormatChanged),
        }
    }
}

/// Rows that a frame's buffer holds, and the bytes they take, all of which are there.
fn checked_size(frame: &Frame) -> Result<(usize, usize), Y4mError> {
    let format = &frame.format;
    let held = match frame.rows {
        RowLayout::Woven | RowLayout::Sequential(_) => format.rows,
        RowLayout::Single(_) => format.rows / 2,
    };
    let (found, expected) = (frame.data.bytes().len(), format.buffer_bytes(held));
    if found < expected {
        return Err(Y4mError::Short { found, expected });
    }
    Ok((held, expected))
}

/// The same picture without packing and padding.
fn bare(format: &PictureFormat) -> PictureFormat {
    let mut bare = format.clone();
    bare.padded_stride = None;
    bare.samples.packing = Packing::Planar;
    bare
}

fn planar_bytes(format: &PictureFormat) -> usize {
    bare(format).buffer_bytes(format.rows)
}

/// The row of the whole plane that row `index` of a buffer's plane of `held` rows belongs to.
fn woven_row(layout: RowLayout, index: usize, held: usize) -> usize {
    let offset = |parity| usize::from(parity == Parity::Bottom);
    match layout {
        RowLayout::Woven => index,
        RowLayout::Single(parity) => 2 * index + offset(parity),
        RowLayout::Sequential(first) => {
            let first_rows = if first == Parity::Top {
                held.div_ceil(2)
            } else {
                held / 2
            };
            if index < first_rows {
                2 * index + offset(first)
            } else {
                2 * (index - first_rows) + offset(first.other())
            }
        }
    }
}

/// Puts a buffer's rows where they belong in a planar, woven frame.
fn lay_out(frame: &Frame, held: usize, out: &mut [u8]) {
    let format = &frame.format;
    let target = bare(format);
    let planes = target.planes(format.rows);
    if format.samples.packing != Packing::Planar {
        for index in 0..held {
            let row = woven_row(frame.rows, index, held);
            unpack_row(frame, index, row, &planes, out);
        }
        return;
    }
    for (from, to) in format
        .planes(held)
        .into_iter()
        .flatten()
        .zip(planes.into_iter().flatten())
    {
        let bytes = from.width * format.samples.sample_bytes();
        for index in 0..from.rows {
            let source = from.offset + index * from.stride;
            let place = to.offset + woven_row(frame.rows, index, from.rows) * to.stride;
            out[place..place + bytes].copy_from_slice(&frame.data.bytes()[source..source + bytes]);
        }
    }
}

/// Spreads one packed row over three planes.
fn unpack_row(
    frame: &Frame,
    index: usize,
    row: usize,
    planes: &[Option<crate::sources::PlaneLayout>; 3],
    out: &mut [u8],
) {
    let format = &frame.format;
    let stride = format.padded_stride.unwrap_or(format.width.div_ceil(2) * 4);
    let packed = &frame.data.bytes()[index * stride..];
    // Places of both luma samples, Cb and Cr in four bytes.
    let (luma, cb, cr) = match format.samples.packing {
        Packing::Yuyv | Packing::Planar => ([0, 2], 1, 3),
        Packing::Uyvy => ([1, 3], 0, 2),
        Packing::Yvyu => ([0, 2], 3, 1),
        Packing::Vyuy => ([1, 3], 2, 0),
    };
    for (plane, place) in planes.iter().zip([None, Some(cb), Some(cr)]) {
        let Some(plane) = plane else { continue };
        let start = plane.offset + row * plane.stride;
        for (column, sample) in out[start..start + plane.width].iter_mut().enumerate() {
            *sample = match place {
                None => packed[column / 2 * 4 + luma[column % 2]],
                Some(place) => packed[column * 4 + place],
            };
        }
    }
}

#[cfg(test)]
mod tests;
