//! The C interface between the restrike host and a stage library, version 1.
//!
//! A stage is a shared library with one exported function,
//! `restrike_stage`, that returns a [`StageTable`]. The host reads
//! `struct_size` and `abi_version` first and nothing else before both are
//! accepted.
//!
//! Rules of the boundary:
//! * Structures only ever grow at their end; `struct_size` says how much is there.
//! * Text is UTF-8 as pointer + length, not terminated, and belongs to whoever
//!   made the call; it is valid until the call returns.
//! * A stage hands results over by calling back into [`Host`]; the host copies
//!   what it is given before the callback returns. Neither side frees the
//!   other's memory.
//! * Images are views. Strides are in bytes and may be larger than a packed row.
//! * `measure` may be called for several sheets at once from several threads;
//!   `create`, `learn`, `summarise` and `destroy` are called one at a time.
//! * Nothing may unwind through the boundary.
//! * Libraries are never unloaded.

#![allow(unsafe_code)]

use core::ffi::c_void;

/// Version of this interface.
pub const ABI_VERSION: u32 = 1;

/// Name of the exported function.
pub const ENTRY_SYMBOL: &str = "restrike_stage";

/// The call worked.
pub const STATUS_OK: i32 = 0;
/// The call did not work; the reason was given to `Host::fail`.
pub const STATUS_ERROR: i32 = 1;
/// The stage panicked; the message was given to `Host::fail`.
pub const STATUS_PANIC: i32 = 2;

/// 8-bit unsigned samples; 255 = 1.0.
pub const SAMPLE_U8: u32 = 1;
/// 16-bit unsigned samples; 65535 = 1.0.
pub const SAMPLE_U16: u32 = 2;
/// 32-bit float samples.
pub const SAMPLE_F32: u32 = 3;

/// Cell without a value.
pub const VALUE_NULL: u32 = 0;
/// Cell with a truth value in `integer` (0 or 1).
pub const VALUE_BOOLEAN: u32 = 1;
/// Cell with a whole number in `integer`.
pub const VALUE_INTEGER: u32 = 2;
/// Cell with a real number in `number`.
pub const VALUE_NUMBER: u32 = 3;
/// Cell with text in `text`.
pub const VALUE_TEXT: u32 = 4;

/// A note that is good to know.
pub const LEVEL_INFO: u32 = 0;
/// A note that asks for a look.
pub const LEVEL_WARNING: u32 = 1;

/// `learn`: an impression to learn from.
pub const STEP_IMPRESSION: u32 = 0;
/// `learn`: there are no more impressions, put the record out now.
pub const STEP_FINISH: u32 = 1;

/// UTF-8 text, or bytes, that somebody else owns.
#[repr(C)]
#[derive(Debug, Clone, Copy)]
pub struct Str {
    /// First byte; may be null when `len` is 0.
    pub ptr: *const u8,
    /// Number of bytes.
    pub len: usize,
}

impl Str {
    /// A view of a byte slice.
    pub const fn new(bytes: &[u8]) -> Self {
        Self {
            ptr: bytes.as_ptr(),
            len: bytes.len(),
        }
    }

    /// A view of text.
    pub const fn text(text: &str) -> Self {
        Self::new(text.as_bytes())
    }

    /// Text of no length.
    pub const fn empty() -> Self {
        Self {
            ptr: core::ptr::null(),
            len: 0,
        }
    }

    /// The bytes; none when the pointer is null though the length is not, or
    /// when the length cannot be one.
    ///
    /// # Safety
    /// `ptr` must be null or point to `len` readable bytes that live for `'a`.
    pub const unsafe fn bytes<'a>(self) -> Option<&'a [u8]> {
        if self.len == 0 {
            return Some(&[]);
        }
        if self.ptr.is_null() || self.len > isize::MAX as usize {
            return None;
        }
        // SAFETY: not null, length in range, readable by the caller's promise.
        Some(unsafe { core::slice::from_raw_parts(self.ptr, self.len) })
    }
}

/// A view of an image, rows from the top.
#[repr(C)]
#[derive(Debug, Clone, Copy)]
pub struct Image {
    /// Size of this structure in bytes.
    pub struct_size: u32,
    /// `SAMPLE_U8`, `SAMPLE_U16` or `SAMPLE_F32`.
    pub sample: u32,
    /// The image's name; `scan` for the scan itself.
    pub name: Str,
    /// First sample of the top-left pixel, aligned for its type.
    pub data: *const c_void,
    /// Pixels across.
    pub width: u32,
    /// Pixels down.
    pub height: u32,
    /// Samples a pixel.
    pub channels: u32,
    /// Unused, 0.
    pub reserved: u32,
    /// Bytes from one pixel to the next in a row.
    pub x_stride: i64,
    /// Bytes from one row to the next.
    pub y_stride: i64,
    /// Bytes from one channel to the next in a pixel.
    pub channel_stride: i64,
    /// Millimetres per pixel across; 0 if it does not apply.
    pub mm_per_px_x: f64,
    /// Millimetres per pixel down; 0 if it does not apply.
    pub mm_per_px_y: f64,
}

/// One cell of a table.
#[repr(C)]
#[derive(Debug, Clone, Copy)]
pub struct Value {
    /// One of `VALUE_*`.
    pub kind: u32,
    /// Unused, 0.
    pub reserved: u32,
    /// Truth value or whole number.
    pub integer: i64,
    /// Real number; must be finite.
    pub number: f64,
    /// Text.
    pub text: Str,
}

impl Value {
    /// A cell without a value.
    pub const NULL: Self = Self {
        kind: VALUE_NULL,
        reserved: 0,
        integer: 0,
        number: 0.0,
        text: Str::empty(),
    };

    /// A truth value.
    pub const fn boolean(value: bool) -> Self {
        Self {
            kind: VALUE_BOOLEAN,
            integer: value as i64,
            ..Self::NULL
        }
    }

    /// A whole number.
    pub const fn integer(value: i64) -> Self {
        Self {
            kind: VALUE_INTEGER,
            integer: value,
            ..Self::NULL
        }
    }

    /// A real number.
    pub const fn number(value: f64) -> Self {
        Self {
            kind: VALUE_NUMBER,
            number: value,
            ..Self::NULL
        }
    }

    /// Text; it must outlive the cell.
    pub const fn text(value: &str) -> Self {
        Self {
            kind: VALUE_TEXT,
            text: Str::text(value),
            ..Self::NULL
        }
    }
}

/// A table: `rows * columns` cells, row after row.
#[repr(C)]
#[derive(Debug, Clone, Copy)]
pub struct Table {
    /// Size of this structure in bytes.
    pub struct_size: u32,
    /// Number of columns.
    pub column_count: u32,
    /// The table's name.
    pub name: Str,
    /// The columns' names.
    pub columns: *const Str,
    /// Number of rows.
    pub row_count: usize,
    /// The cells.
    pub cells: *const Value,
}

/// A named part of the block record.
#[repr(C)]
#[derive(Debug, Clone, Copy)]
pub struct RecordPart {
    /// Its name.
    pub name: Str,
    /// Its bytes.
    pub data: Str,
}

/// What `create` is given.
#[repr(C)]
#[derive(Debug, Clone, Copy)]
pub struct Setup {
    /// Size of this structure in bytes.
    pub struct_size: u32,
    /// Unused, 0.
    pub reserved: u32,
    /// The stage's settings, JSON, valid against its schema.
    pub settings: Str,
    /// Sheet, images, blocks, marks and tolerances, JSON.
    pub project: Str,
    /// Parts of the block record.
    pub records: *const RecordPart,
    /// Number of parts.
    pub record_count: usize,
}

/// What `learn` and `measure` are given.
#[repr(C)]
#[derive(Debug, Clone, Copy)]
pub struct Input {
    /// Size of this structure in bytes.
    pub struct_size: u32,
    /// `STEP_IMPRESSION`, or in `learn` at the end `STEP_FINISH`.
    pub step: u32,
    /// Line of the sheet list, JSON.
    pub impression: Str,
    /// What is known of the scan, JSON.
    pub scan_info: Str,
    /// The scan: linear light, sRGB primaries, `SAMPLE_U16`, 1 or 3 channels;
    /// null at `STEP_FINISH`.
    pub scan: *const Image,
    /// Tables of earlier stages about this sheet.
    pub tables: *const Table,
    /// Number of tables.
    pub table_count: usize,
    /// Images of earlier stages about this sheet.
    pub images: *const Image,
    /// Number of images.
    pub image_count: usize,
}

/// What `summarise` is given.
#[repr(C)]
#[derive(Debug, Clone, Copy)]
pub struct Run {
    /// Size of this structure in bytes.
    pub struct_size: u32,
    /// Unused, 0.
    pub reserved: u32,
    /// All lines of the sheet list, a JSON array.
    pub impressions: Str,
    /// Tables over all sheets.
    pub tables: *const Table,
    /// Number of tables.
    pub table_count: usize,
}

/// What the host offers during a call. `context` goes back as the first argument.
/// Callbacks that return a number return `STATUS_OK`, or `STATUS_ERROR` when the
/// host refused what it was given; the host then ends the stage on this sheet
/// with its own message, and the stage should return soon.
#[repr(C)]
#[derive(Debug, Clone, Copy)]
pub struct Host {
    /// Size of this structure in bytes.
    pub struct_size: u32,
    /// `ABI_VERSION` of the host.
    pub abi_version: u32,
    /// The host's own.
    pub context: *mut c_void,
    /// A row: table name, then a value for each declared column, in order.
    pub row: unsafe extern "C" fn(*mut c_void, Str, *const Value, usize) -> i32,
    /// An image of `SAMPLE_F32` for later stages and pictures.
    pub image: unsafe extern "C" fn(*mut c_void, *const Image) -> i32,
    /// A picture for people, described in JSON.
    pub picture: unsafe extern "C" fn(*mut c_void, Str) -> i32,
    /// A part of the block record: name, bytes.
    pub record: unsafe extern "C" fn(*mut c_void, Str, Str) -> i32,
    /// A remark: `LEVEL_*`, text.
    pub note: unsafe extern "C" fn(*mut c_void, u32, Str),
    /// A sheet is not to be measured: number in the sheet list, short status, reason.
    pub not_measured: unsafe extern "C" fn(*mut c_void, u64, Str, Str),
    /// Why the call is about to fail.
    pub fail: unsafe extern "C" fn(*mut c_void, Str),
    /// Not 0 when the run is being stopped.
    pub cancelled: unsafe extern "C" fn(*mut c_void) -> i32,
}

/// What a stage library offers.
#[repr(C)]
#[derive(Debug, Clone, Copy)]
pub struct StageTable {
    /// Size of this structure in bytes.
    pub struct_size: u32,
    /// `ABI_VERSION` the library was built for.
    pub abi_version: u32,
    /// The manifest, JSON; valid for the life of the process.
    pub manifest: Str,
    /// Makes an instance; null when it cannot, after `Host::fail`.
    pub create: Option<unsafe extern "C" fn(*const Setup, *const Host) -> *mut c_void>,
    /// Ends an instance.
    pub destroy: Option<unsafe extern "C" fn(*mut c_void)>,
    /// Learns; may be absent.
    pub learn: Option<unsafe extern "C" fn(*mut c_void, *const Input, *const Host) -> i32>,
    /// Measures one impression; may be absent.
    pub measure: Option<unsafe extern "C" fn(*mut c_void, *const Input, *const Host) -> i32>,
    /// Looks at the whole run; may be absent.
    pub summarise: Option<unsafe extern "C" fn(*mut c_void, *const Run, *const Host) -> i32>,
}

/// The exported function's type.
pub type Entry = unsafe extern "C" fn() -> *const StageTable;

// SAFETY: a stage table is plain data that is never written after it is made.
unsafe impl Sync for StageTable {}
// SAFETY: as above.
unsafe impl Send for StageTable {}

/// The size of a structure as its `struct_size` holds it.
#[allow(clippy::cast_possible_truncation)]
pub const fn size_of<T>() -> u32 {
    core::mem::size_of::<T>() as u32
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn layout_of_version_1_does_not_move() {
        // Libraries built years ago rely on these numbers (64-bit targets).
        #[cfg(target_pointer_width = "64")]
        {
            assert_eq!(size_of::<Str>(), 16);
            assert_eq!(size_of::<Image>(), 88);
            assert_eq!(size_of::<Value>(), 40);
            assert_eq!(size_of::<Table>(), 48);
            assert_eq!(size_of::<RecordPart>(), 32);
            assert_eq!(size_of::<Setup>(), 56);
            assert_eq!(size_of::<Input>(), 80);
            assert_eq!(size_of::<Run>(), 40);
            assert_eq!(size_of::<Host>(), 80);
            assert_eq!(size_of::<StageTable>(), 64);
            assert_eq!(core::mem::offset_of!(StageTable, manifest), 8);
            assert_eq!(core::mem::offset_of!(StageTable, summarise), 56);
        }
    }

    #[test]
    fn a_null_pointer_with_a_length_is_no_text() {
        let s = Str {
            ptr: core::ptr::null(),
            len: 4,
        };
        // SAFETY: null is allowed.
        assert!(unsafe { s.bytes() }.is_none());
        // SAFETY: empty.
        assert_eq!(unsafe { Str::empty().bytes() }, Some(&[][..]));
    }
}
