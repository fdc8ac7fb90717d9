//! Everything that is settled before the first frame: raster, format, description, pictures.
//!
//! In: a scene and the operator's wishes. Out: what a [`Tape`](super::Tape) is made of, or why a wish cannot be met.
//!
//! Does not know: frames, time, faults.

use crate::standard::{BT601_LUMA_RATE, Parity, RateTrust, Standard};
use crate::units::CodeRange;

use super::super::format::{ChromaGrid, FieldOrder, Packing, PictureFormat, SampleFormat};
use super::super::{SourceDescription, SourceError, SourceErrorKind, StandardWish, Wishes};
use super::box_model::Sides;
use super::canvas::Canvas;
use super::catalogue::scenes;
use super::grain::Grain;
use super::layout::{self, LUMA_WIDTH, Raster};
use super::pictures::Picture;
use super::random::{Dice, Stream};
use super::scene::{Scene, Shows};

pub(super) fn no_such_scene(name: &str) -> SourceError {
    let names: Vec<&str> = scenes().map(|(name, _)| name).collect();
    SourceError::new(
        SourceErrorKind::Missing,
        format!(
            "opening the simulated tape: there is no scene `{name}`; there are {}",
            names.join(", ")
        ),
    )
}

/// The raster a scene is captured in, and the field order said of it.
pub(super) fn raster_for(
    scene: &Scene,
    wishes: &Wishes,
) -> Result<(Raster, FieldOrder), SourceError> {
    let wished = wishes.standard.and_then(StandardWish::lines);
    let from_rows = wishes
        .raster
        .and_then(|(_, rows)| Standard::from_rows(rows));
    let standard = wished.or(from_rows).unwrap_or(scene.standard);
    let (width, rows) = wishes
        .raster
        .unwrap_or((LUMA_WIDTH, layout::usual_rows(standard)));
    if width != LUMA_WIDTH || Standard::from_rows(rows) != Some(standard) {
        return Err(SourceError::new(
            SourceErrorKind::Unsupported,
            format!(
                "opening the simulated tape: it is captured as 720x480 or 720x486 (525 lines) or 720x576 (625 lines), not as \
                 {width}x{rows} with {} lines; leave out --raster, or ask for one of these",
                standard.word()
            ),
        ));
    }
    let order = wishes
        .field_order
        .or(scene.field_order)
        .unwrap_or(layout::usual_order(rows));
    let older = match order {
        FieldOrder::Top => Parity::Top,
        FieldOrder::Bottom => Parity::Bottom,
        FieldOrder::Progressive => {
            return Err(SourceError::new(
                SourceErrorKind::Unsupported,
                "opening the simulated tape: it is interlaced; ask for --field-order top or bottom",
            ));
        }
    };
    let raster = Raster {
        standard,
        rows,
        older,
    };
    Ok((raster, order))
}

pub(super) fn margins(scene: &Scene, standard: Standard) -> (f64, f64) {
    match (scene.chain.boxed.map(|boxed| boxed.sides), scene.margins) {
        (Some(Sides::Crop(by)), _) => (-by, -by),
        (_, Some((left, right))) => (left.0, right.0),
        (_, None) => {
            let (left, right) = standard.nominal_margins();
            (left.0, right.0)
        }
    }
}

pub(super) fn picture_format(raster: Raster, order: FieldOrder, wishes: &Wishes) -> PictureFormat {
    PictureFormat {
        width: LUMA_WIDTH,
        rows: raster.rows,
        samples: SampleFormat {
            packing: Packing::Planar,
            chroma: ChromaGrid::Half,
            depth: 8,
        },
        padded_stride: None,
        // The samples are studio range; an operator who says otherwise sees what a wrong word does.
        range: wishes.range.unwrap_or(CodeRange::Studio),
        standard: Some(raster.standard),
        sample_rate: Some(wishes.sample_rate.unwrap_or(BT601_LUMA_RATE)),
        rate_trust: RateTrust::Known,
        field_order: Some(order),
        field_order_forced: wishes.field_order.is_some(),
    }
}

pub(super) fn describe(
    scene: &Scene,
    seed: u64,
    raster: Raster,
    frames: Option<u64>,
) -> SourceDescription {
    let detail = |name: &str, value: String| (name.to_owned(), value);
    SourceDescription {
        name: format!("tape:{}", scene.name),
        kind: "simulated tape".to_owned(),
        live: frames.is_none(),
        frames,
        details: vec![
            detail("scene", scene.about.to_owned()),
            detail("seed", seed.to_string()),
            detail("standard", raster.standard.word().to_owned()),
            detail("raster", format!("{LUMA_WIDTH}x{}", raster.rows)),
        ],
        controls: Vec::new(),
        remarks: Vec::new(),
    }
}

/// Every picture of a scene, drawn once.
pub(super) fn draw_canvases(scene: &Scene, seed: u64) -> Vec<(Picture, Canvas)> {
    let grain = Grain::new(&mut Dice::new(seed, Stream::Pictures));
    let mut canvases: Vec<(Picture, Canvas)> = Vec::new();
    for segment in scene.tape {
        if let Shows::Picture(picture) = segment.shows
            && !canvases.iter().any(|(drawn, _)| *drawn == picture)
        {
            canvases.push((picture, picture.draw(seed, &grain)));
        }
    }
    canvases
}
