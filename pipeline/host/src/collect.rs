//! What a stage gives back, checked against what it declared.

use core::ffi::c_void;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::atomic::{AtomicBool, Ordering};

use restrike_abi as abi;
use restrike_model::{Level, Manifest, Picture, Raster, Value, Verdict};

/// An image a stage gave.
#[derive(Debug, Clone, PartialEq)]
pub struct NamedImage {
    /// Its name.
    pub name: String,
    /// The pixels.
    pub raster: Raster<f32>,
}

/// All a call gave back.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Found {
    /// Rows: table name, values in the order of the declared columns.
    pub rows: Vec<(String, Vec<Value>)>,
    /// Images for later stages.
    pub images: Vec<NamedImage>,
    /// Pictures for people.
    pub pictures: Vec<Picture>,
    /// Parts of the block record.
    pub records: Vec<(String, Vec<u8>)>,
    /// Remarks.
    pub notes: Vec<(Level, String)>,
    /// Sheets not to be measured.
    pub verdicts: Vec<Verdict>,
}

/// Gathers callbacks of one call.
pub(crate) struct Collector<'a> {
    manifest: &'a Manifest,
    cancelled: &'a AtomicBool,
    pub(crate) found: Found,
    pub(crate) failure: Option<String>,
    /// The first thing that broke the contract.
    pub(crate) breach: Option<String>,
}

/// The most a stage may hand over in one image, in samples (4 GiB of floats).
const MOST_SAMPLES: usize = 1 << 30;

impl<'a> Collector<'a> {
    pub(crate) fn new(manifest: &'a Manifest, cancelled: &'a AtomicBool) -> Self {
        Self {
            manifest,
            cancelled,
            found: Found::default(),
            failure: None,
            breach: None,
        }
    }

    /// The callbacks, with this collector as their context.
    pub(crate) fn host(&mut self) -> abi::Host {
        abi::Host {
            struct_size: abi::size_of::<abi::Host>(),
            abi_version: abi::ABI_VERSION,
            context: std::ptr::from_mut(self).cast(),
            row,
            image,
            picture,
            record,
            note,
            not_measured,
            fail,
            cancelled,
        }
    }

    fn take(&mut self, taken: Result<(), String>) -> i32 {
        match taken {
            Ok(()) => abi::STATUS_OK,
            Err(reason) => {
                self.breach.get_or_insert(reason);
                abi::STATUS_ERROR
            }
        }
    }

    fn add_row(&mut self, table: String, values: Vec<Value>) -> Result<(), String> {
        let spec = self
            .manifest
            .gives
            .tables
            .iter()
            .find(|t| t.name == table)
            .ok_or_else(|| format!("a row of table `{table}`, which is not declared"))?;
        if values.len() != spec.columns.len() {
            return Err(format!(
                "a row of {} values for table `{table}`, which has {} columns",
                values.len(),
                spec.columns.len()
            ));
        }
        for (v, c) in values.iter().zip(&spec.columns) {
            if !v.fits(c.kind) {
                return Err(format!(
                    "{v:?} for column `{}` of table `{table}`, which holds {:?}",
                    c.name, c.kind
                ));
            }
        }
        self.found.rows.push((table, values));
        Ok(())
    }

    fn add_image(&mut self, name: String, raster: Raster<f32>) -> Result<(), String> {
        if !self.manifest.gives.images.contains(&name) {
            return Err(format!("image `{name}`, which is not declared"));
        }
        self.found.images.push(NamedImage { name, raster });
        Ok(())
    }

    fn add_picture(&mut self, json: &str) -> Result<(), String> {
        let picture: Picture = serde_json::from_str(json)
            .map_err(|e| format!("a picture that cannot be read: {e}"))?;
        let declared = |d: &String| {
            let rest = picture.name.strip_prefix(d.as_str());
            rest.is_some_and(|r| r.is_empty() || r.starts_with('-'))
        };
        if !self.manifest.gives.pictures.iter().any(declared) {
            return Err(format!("picture `{}`, which is not declared", picture.name));
        }
        self.found.pictures.push(picture);
        Ok(())
    }

    fn add_record(&mut self, name: String, data: &[u8]) -> Result<(), String> {
        if !self.manifest.gives.records.contains(&name) {
            return Err(format!("record part `{name}`, which is not declared"));
        }
        self.found.records.push((name, data.to_vec()));
        Ok(())
    }
}

/// Runs `work` on the collector behind a context pointer; a panic in the host's
/// own code must not unwind into the stage.
unsafe fn with(context: *mut c_void, work: impl FnOnce(&mut Collector<'_>) -> i32) -> i32 {
    if context.is_null() {
        return abi::STATUS_ERROR;
    }
    // SAFETY: the context is the collector given out by `host`, used only while
    // the call it was made for lasts and by that call's thread.
    let collector = unsafe { &mut *context.cast::<Collector<'_>>() };
    catch_unwind(AssertUnwindSafe(|| work(collector))).unwrap_or(abi::STATUS_ERROR)
}

unsafe fn text(s: abi::Str) -> Result<String, String> {
    // SAFETY: the stage promises readable bytes; null is checked.
    let bytes = unsafe { s.bytes() }.ok_or("a null text with a length")?;
    String::from_utf8(bytes.to_vec()).map_err(|_| "text that is not UTF-8".to_owned())
}

unsafe fn value(v: &abi::Value) -> Result<Value, String> {
    Ok(match v.kind {
        abi::VALUE_NULL => Value::Null,
        abi::VALUE_BOOLEAN => Value::Boolean(v.integer != 0),
        abi::VALUE_INTEGER => Value::Integer(v.integer),
        abi::VALUE_NUMBER if !v.number.is_finite() => {
            return Err("a number that is not finite".to_owned());
        }
        abi::VALUE_NUMBER => Value::from(v.number),
        // SAFETY: as for `text`.
        abi::VALUE_TEXT => Value::Text(unsafe { text(v.text)? }),
        k => return Err(format!("a value of unknown kind {k}")),
    })
}

unsafe fn raster(image: &abi::Image) -> Result<(String, Raster<f32>), String> {
    // SAFETY: the stage promises a readable name.
    let name = unsafe { text(image.name)? };
    let (w, h, c) = (
        image.width as usize,
        image.height as usize,
        image.channels as usize,
    );
    let count = w.checked_mul(h).and_then(|n| n.checked_mul(c));
    let fits = count.is_some_and(|n| n > 0 && n <= MOST_SAMPLES);
    if !fits || image.data.is_null() || image.sample != abi::SAMPLE_F32 {
        return Err(format!(
            "image `{name}` of {w} x {h} x {c} samples, kind {}, which cannot be taken",
            image.sample
        ));
    }
    let mut data = Vec::with_capacity(count.unwrap_or(0));
    for y in 0..i64::from(image.height) {
        for x in 0..i64::from(image.width) {
            for k in 0..i64::from(image.channels) {
                let offset = y * image.y_stride + x * image.x_stride + k * image.channel_stride;
                let offset = isize::try_from(offset)
                    .map_err(|_| format!("image `{name}` with strides out of range"))?;
                // SAFETY: the stage promises samples at these strides; they
                // need not be aligned.
                let v = unsafe {
                    image
                        .data
                        .byte_offset(offset)
                        .cast::<f32>()
                        .read_unaligned()
                };
                data.push(v);
            }
        }
    }
    Ok((
        name,
        Raster::from_vec(w, h, c, data).map_err(|e| e.to_string())?,
    ))
}

unsafe extern "C" fn row(
    context: *mut c_void,
    table: abi::Str,
    values: *const abi::Value,
    count: usize,
) -> i32 {
    // SAFETY: see `with`; the stage promises `count` values.
    unsafe {
        with(context, |c| {
            let read = || -> Result<(String, Vec<Value>), String> {
                let name = text(table)?;
                if count > 100_000 || (values.is_null() && count > 0) {
                    return Err(format!("a row of table `{name}` without values"));
                }
                let list = if count == 0 {
                    &[]
                } else {
                    std::slice::from_raw_parts(values, count)
                };
                let values = list
                    .iter()
                    .map(|v| value(v).map_err(|e| format!("{e} in a row of table `{name}`")))
                    .collect::<Result<_, _>>()?;
                Ok((name, values))
            };
            let taken = read().and_then(|(name, values)| c.add_row(name, values));
            c.take(taken)
        })
    }
}

unsafe extern "C" fn image(context: *mut c_void, image: *const abi::Image) -> i32 {
    // SAFETY: see `with`; the stage promises a valid image.
    unsafe {
        with(context, |c| {
            let taken = image
                .as_ref()
                .ok_or_else(|| "no image".to_owned())
                .and_then(|i| raster(i))
                .and_then(|(name, r)| c.add_image(name, r));
            c.take(taken)
        })
    }
}

unsafe extern "C" fn picture(context: *mut c_void, json: abi::Str) -> i32 {
    // SAFETY: see `with`; the stage promises readable text.
    unsafe {
        with(context, |c| {
            let taken = text(json).and_then(|t| c.add_picture(&t));
            c.take(taken)
        })
    }
}

unsafe extern "C" fn record(context: *mut c_void, name: abi::Str, data: abi::Str) -> i32 {
    // SAFETY: see `with`; the stage promises readable bytes.
    unsafe {
        with(context, |c| {
            let taken = text(name).and_then(|n| {
                let data = data.bytes().ok_or("a null record part with a length")?;
                c.add_record(n, data)
            });
            c.take(taken)
        })
    }
}

unsafe extern "C" fn note(context: *mut c_void, level: u32, words: abi::Str) {
    // SAFETY: see `with`; the stage promises readable text.
    unsafe {
        with(context, |c| {
            let taken = text(words).map(|t| {
                let level = if level == abi::LEVEL_INFO {
                    Level::Info
                } else {
                    Level::Warning
                };
                c.found.notes.push((level, t));
            });
            c.take(taken)
        });
    }
}

unsafe extern "C" fn not_measured(
    context: *mut c_void,
    sheet: u64,
    status: abi::Str,
    reason: abi::Str,
) {
    // SAFETY: see `with`; the stage promises readable text.
    unsafe {
        with(context, |c| {
            let read = || -> Result<Verdict, String> {
                Ok(Verdict {
                    sheet: usize::try_from(sheet).map_err(|_| "a sheet that is not there")?,
                    status: text(status)?,
                    reason: text(reason)?,
                })
            };
            let taken = read().map(|v| c.found.verdicts.push(v));
            c.take(taken)
        });
    }
}

unsafe extern "C" fn fail(context: *mut c_void, reason: abi::Str) {
    // SAFETY: see `with`; the stage promises readable text.
    unsafe {
        with(context, |c| {
            let reason = text(reason).unwrap_or_else(|e| e);
            c.failure.get_or_insert(reason);
            abi::STATUS_OK
        });
    }
}

unsafe extern "C" fn cancelled(context: *mut c_void) -> i32 {
    // SAFETY: see `with`.
    unsafe { with(context, |c| i32::from(c.cancelled.load(Ordering::Relaxed))) }
}
