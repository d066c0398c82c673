//! The orientation tag of TIFF 6.0 and EXIF (tag 274).

/// How the stored rows and columns lie in the image as it is looked at.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Orientation(u8);

impl Orientation {
    /// First row on top, first column at the left.
    pub const NORMAL: Self = Self(1);

    /// From the tag's value; values outside 1..=8 count as 1, as readers commonly do.
    pub fn from_tag(value: u64) -> Self {
        u8::try_from(value)
            .ok()
            .filter(|v| (1..=8).contains(v))
            .map_or(Self::NORMAL, Self)
    }

    /// The tag's value, 1..=8.
    pub fn tag(self) -> u8 {
        self.0.max(1)
    }

    /// Whether nothing has to be moved.
    pub fn is_normal(self) -> bool {
        self.tag() == 1
    }

    /// Whether width and height change places.
    pub fn swaps_axes(self) -> bool {
        self.tag() >= 5
    }

    /// Width and height as looked at, from those stored.
    pub fn size(self, width: usize, height: usize) -> (usize, usize) {
        if self.swaps_axes() {
            (height, width)
        } else {
            (width, height)
        }
    }

    /// Where a stored pixel goes.
    pub fn place(self, x: usize, y: usize, width: usize, height: usize) -> (usize, usize) {
        let (mx, my) = (width - 1 - x, height - 1 - y);
        match self.tag() {
            2 => (mx, y),
            3 => (mx, my),
            4 => (x, my),
            5 => (y, x),
            6 => (my, x),
            7 => (my, mx),
            8 => (y, mx),
            _ => (x, y),
        }
    }
}
