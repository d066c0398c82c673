//! What the host passes, read into the model's types.

use std::collections::BTreeMap;

use restrike_abi as abi;
use restrike_model::{
    ImageView, Impression, Measure, Project, Sample, ScanInfo, StageError, Table, Value,
};
use serde_json::from_slice;

type Checked<T> = Result<T, StageError>;

fn bad(what: &str) -> StageError {
    StageError::new(format!("the host passed {what}"))
}

unsafe fn bytes<'a>(s: abi::Str) -> Checked<&'a [u8]> {
    // SAFETY: passed on to the caller.
    unsafe { s.bytes() }.ok_or_else(|| bad("a null pointer with a length"))
}

unsafe fn text(s: abi::Str) -> Checked<String> {
    // SAFETY: passed on to the caller.
    let b = unsafe { bytes(s)? };
    Ok(std::str::from_utf8(b)
        .map_err(|_| bad("text that is not UTF-8"))?
        .to_owned())
}

unsafe fn json<T: serde::de::DeserializeOwned>(s: abi::Str, what: &str) -> Checked<T> {
    // SAFETY: passed on to the caller.
    from_slice(unsafe { bytes(s)? })
        .map_err(|e| StageError::new(format!("the host passed {what} that cannot be read: {e}")))
}

unsafe fn list<'a, T>(ptr: *const T, len: usize) -> Checked<&'a [T]> {
    if len == 0 {
        return Ok(&[]);
    }
    if ptr.is_null() {
        return Err(bad("a null list with a length"));
    }
    // SAFETY: not null; `len` valid entries by the caller's promise.
    Ok(unsafe { std::slice::from_raw_parts(ptr, len) })
}

pub(crate) type SetupParts = (serde_json::Value, Project, BTreeMap<String, Vec<u8>>);

/// # Safety
/// `setup` must be valid for the time of the call.
pub(crate) unsafe fn setup(setup: *const abi::Setup) -> Checked<SetupParts> {
    // SAFETY: valid by the caller's promise, as are the lists in it.
    unsafe {
        let s = setup.as_ref().ok_or_else(|| bad("no set-up"))?;
        let mut records = BTreeMap::new();
        for part in list(s.records, s.record_count)? {
            records.insert(text(part.name)?, bytes(part.data)?.to_vec());
        }
        Ok((
            json(s.settings, "settings")?,
            json(s.project, "a project")?,
            records,
        ))
    }
}

unsafe fn table(t: &abi::Table) -> Checked<Table> {
    // SAFETY: passed on to the caller.
    unsafe {
        let mut columns = Vec::new();
        for c in list(t.columns, t.column_count as usize)? {
            columns.push(text(*c)?);
        }
        let n = columns.len();
        let count = t
            .row_count
            .checked_mul(n)
            .ok_or_else(|| bad("too many cells"))?;
        let cells = list(t.cells, count)?;
        let mut rows = Vec::with_capacity(t.row_count);
        for row in cells.chunks(n.max(1)) {
            rows.push(row.iter().map(|c| value(c)).collect::<Checked<Vec<_>>>()?);
        }
        Ok(Table {
            name: text(t.name)?,
            columns,
            rows,
        })
    }
}

unsafe fn value(v: &abi::Value) -> Checked<Value> {
    Ok(match v.kind {
        abi::VALUE_NULL => Value::Null,
        abi::VALUE_BOOLEAN => Value::Boolean(v.integer != 0),
        abi::VALUE_INTEGER => Value::Integer(v.integer),
        abi::VALUE_NUMBER => Value::from(v.number),
        // SAFETY: passed on to the caller.
        abi::VALUE_TEXT => Value::Text(unsafe { text(v.text)? }),
        _ => return Err(bad("a value of unknown kind")),
    })
}

unsafe fn view<'a, T: Sample>(image: &abi::Image, sample: u32) -> Checked<ImageView<'a, T>> {
    let size = size_of::<T>();
    let (w, h, c) = (
        image.width as usize,
        image.height as usize,
        image.channels as usize,
    );
    let packed = image.sample == sample
        && usize::try_from(image.channel_stride) == Ok(size)
        && usize::try_from(image.x_stride) == Ok(size * c)
        && usize::try_from(image.y_stride).is_ok_and(|s| s % size == 0)
        && !image.data.is_null()
        && (image.data as usize).is_multiple_of(align_of::<T>());
    if !packed || w == 0 || h == 0 {
        return Err(bad("an image of a layout this stage does not read"));
    }
    let stride = usize::try_from(image.y_stride).unwrap_or(0) / size;
    let len = stride
        .checked_mul(h - 1)
        .and_then(|n| n.checked_add(w * c))
        .ok_or_else(|| bad("an image too large to address"))?;
    // SAFETY: the host promises `len` samples at `data`; alignment is checked.
    let data = unsafe { std::slice::from_raw_parts(image.data.cast::<T>(), len) };
    ImageView::new(data, w, h, c, stride).map_err(|e| StageError::new(e.to_string()))
}

/// The parts of a [`Measure`], held while the call lasts.
pub(crate) struct MeasureOwned<'a> {
    impression: Impression,
    info: ScanInfo,
    scan: ImageView<'a, u16>,
    tables: Vec<Table>,
    images: Vec<(String, ImageView<'a, f32>)>,
}

impl<'a> MeasureOwned<'a> {
    /// # Safety
    /// `input` and all it points to must be valid for `'a`.
    pub(crate) unsafe fn read(input: *const abi::Input) -> Checked<Self> {
        // SAFETY: valid by the caller's promise.
        unsafe {
            let i = input.as_ref().ok_or_else(|| bad("no input"))?;
            let scan = i.scan.as_ref().ok_or_else(|| bad("no scan"))?;
            let mut tables = Vec::new();
            for t in list(i.tables, i.table_count)? {
                tables.push(table(t)?);
            }
            let mut images = Vec::new();
            for image in list(i.images, i.image_count)? {
                images.push((text(image.name)?, view(image, abi::SAMPLE_F32)?));
            }
            Ok(Self {
                impression: json(i.impression, "an impression")?,
                info: json(i.scan_info, "scan information")?,
                scan: view(scan, abi::SAMPLE_U16)?,
                tables,
                images,
            })
        }
    }

    pub(crate) fn borrow(&self) -> Measure<'_> {
        Measure {
            impression: &self.impression,
            info: &self.info,
            scan: self.scan,
            tables: &self.tables,
            images: &self.images,
        }
    }
}

/// # Safety
/// `run` and all it points to must be valid for the time of the call.
pub(crate) unsafe fn run(run: *const abi::Run) -> Checked<(Vec<Impression>, Vec<Table>)> {
    // SAFETY: valid by the caller's promise.
    unsafe {
        let r = run.as_ref().ok_or_else(|| bad("no run"))?;
        let mut tables = Vec::new();
        for t in list(r.tables, r.table_count)? {
            tables.push(table(t)?);
        }
        Ok((json(r.impressions, "a list of impressions")?, tables))
    }
}
