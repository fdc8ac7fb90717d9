//! How a camera moves the picture between two fields: a small affine motion.
//!
//! Places across and down are counted from the middle of the field in half widths and half heights, so that all six
//! numbers are samples or field lines at the picture's edge.
//!
//! Does not know: how it is found.

/// Where what a field shows at a place stood in an earlier one: `x − across(x, y)`, `y − down(x, y)`.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Warp {
    /// Samples: in the middle, more at the right edge, more at the bottom edge.
    pub across: [f64; 3],
    /// Field lines: the same.
    pub down: [f64; 3],
}

/// Middle of a field and half its size, in samples and lines.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Frame {
    pub half_width: f64,
    pub half_height: f64,
}

impl Frame {
    pub(super) fn of(width: usize, rows: usize) -> Self {
        Self {
            half_width: 0.5 * width as f64,
            half_height: 0.5 * rows as f64,
        }
    }

    /// A place in half widths and half heights from the middle.
    pub(super) fn relative(self, x: f64, y: f64) -> [f64; 2] {
        [x / self.half_width - 1.0, y / self.half_height - 1.0]
    }
}

impl Warp {
    /// The displacement at a relative place: samples and lines.
    pub(super) fn at(&self, [x, y]: [f64; 2]) -> [f64; 2] {
        let value = |part: &[f64; 3]| part[0] + part[1] * x + part[2] * y;
        [value(&self.across), value(&self.down)]
    }

    /// This motion after `earlier`: from this one's field over its own earlier field to that of `earlier`.
    pub(super) fn after(&self, earlier: &Self, frame: Frame) -> Self {
        let through = |part: &[f64; 3], own: &[f64; 3]| {
            let (by_x, by_y) = (part[1] / frame.half_width, part[2] / frame.half_height);
            std::array::from_fn(|k| own[k] + part[k] - by_x * self.across[k] - by_y * self.down[k])
        };
        Self {
            across: through(&earlier.across, &self.across),
            down: through(&earlier.down, &self.down),
        }
    }

    /// How far the bottom edge goes across because the picture turns: told by how the right edge goes down. In samples.
    ///
    /// `aspect` is the width of a sample over the distance of two lines of the frame.
    pub(super) fn lean_of_turn(&self, frame: Frame, aspect: f64) -> f64 {
        // A turn by a small angle moves (x, y), in units of equal length, by (−y, x) times the angle; a field's lines lie
        // two of the frame's apart.
        let angle = 2.0 * self.down[1] / (frame.half_width * aspect);
        -angle * 2.0 * frame.half_height / aspect
    }

    /// Whether anything moves down or up.
    pub(super) fn moves_down(&self) -> bool {
        self.down != [0.0; 3]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_motion_after_another_is_both() {
        let frame = Frame::of(720, 240);
        let first = Warp {
            across: [12.0, 3.0, -2.0],
            down: [4.0, 0.5, 1.0],
        };
        let second = Warp {
            across: [-5.0, 1.5, 2.5],
            down: [2.0, -1.0, 0.5],
        };
        let both = second.after(&first, frame);
        for (x, y) in [(0.0, 0.0), (100.0, 200.0), (719.0, 239.0)] {
            let [dx, dy] = second.at(frame.relative(x, y));
            let (x1, y1) = (x - dx, y - dy);
            let [ex, ey] = first.at(frame.relative(x1, y1));
            let [fx, fy] = both.at(frame.relative(x, y));
            assert!((x - fx - (x1 - ex)).abs() < 1e-9 && (y - fy - (y1 - ey)).abs() < 1e-9);
        }
    }
}
