//! The host's callbacks as an [`Output`].

use restrike_abi as abi;
use restrike_model::{
    ImageView, Level, Output, Picture, Row, StageError, TableSpec, Value, Verdict,
};

/// Writes results through the host's callbacks.
#[derive(Clone, Copy)]
pub(crate) struct HostOutput<'a> {
    host: &'a abi::Host,
    tables: &'a [TableSpec],
}

fn taken(status: i32, what: &str) -> Result<(), StageError> {
    if status == abi::STATUS_OK {
        Ok(())
    } else {
        Err(StageError::new(format!("the host refused {what}")))
    }
}

fn cell(value: &Value) -> abi::Value {
    match value {
        Value::Null => abi::Value::NULL,
        Value::Boolean(v) => abi::Value::boolean(*v),
        Value::Integer(v) => abi::Value::integer(*v),
        Value::Number(v) => abi::Value::number(*v),
        Value::Text(v) => abi::Value::text(v),
    }
}

impl<'a> HostOutput<'a> {
    /// # Safety
    /// `host` must be valid for `'a`.
    pub(crate) unsafe fn new(host: *const abi::Host, tables: &'a [TableSpec]) -> Self {
        Self {
            // SAFETY: by the caller's promise.
            host: unsafe { &*host },
            tables,
        }
    }

    pub(crate) fn fail(&self, reason: &str) {
        // SAFETY: the host's own function and context.
        unsafe { (self.host.fail)(self.host.context, abi::Str::text(reason)) }
    }
}

impl Output for HostOutput<'_> {
    fn row(&mut self, table: &str, row: Row) -> Result<(), StageError> {
        let spec = self
            .tables
            .iter()
            .find(|t| t.name == table)
            .ok_or_else(|| StageError::new(format!("table `{table}` is not declared")))?;
        let mut values: Vec<Value> = vec![Value::Null; spec.columns.len()];
        for (name, value) in row.0 {
            let at = spec.column(&name).ok_or_else(|| {
                StageError::new(format!(
                    "column `{name}` of table `{table}` is not declared"
                ))
            })?;
            if !value.fits(spec.columns[at].kind) {
                return Err(StageError::new(format!(
                    "column `{name}` of table `{table}` cannot hold {value:?}"
                )));
            }
            values[at] = value;
        }
        let cells: Vec<abi::Value> = values.iter().map(cell).collect();
        // SAFETY: the host's own function; all pointers outlive the call.
        let status = unsafe {
            (self.host.row)(
                self.host.context,
                abi::Str::text(table),
                cells.as_ptr(),
                cells.len(),
            )
        };
        taken(status, "a row")
    }

    fn image(&mut self, name: &str, image: ImageView<'_, f32>) -> Result<(), StageError> {
        let side = |n: usize| {
            u32::try_from(n).map_err(|_| StageError::new(format!("image `{name}` is too large")))
        };
        let bytes = size_of::<f32>();
        let stride = |n: usize| {
            i64::try_from(n * bytes)
                .map_err(|_| StageError::new(format!("image `{name}` is too large")))
        };
        let described = abi::Image {
            struct_size: abi::size_of::<abi::Image>(),
            sample: abi::SAMPLE_F32,
            name: abi::Str::text(name),
            data: image.buffer().as_ptr().cast(),
            width: side(image.width())?,
            height: side(image.height())?,
            channels: side(image.channels())?,
            reserved: 0,
            x_stride: stride(image.channels())?,
            y_stride: stride(image.row_stride())?,
            channel_stride: stride(1)?,
            mm_per_px_x: 0.0,
            mm_per_px_y: 0.0,
        };
        // SAFETY: the host's own function; the view outlives the call.
        taken(
            unsafe { (self.host.image)(self.host.context, &raw const described) },
            "an image",
        )
    }

    fn picture(&mut self, picture: &Picture) -> Result<(), StageError> {
        let json = serde_json::to_string(picture)
            .map_err(|e| StageError::new(format!("picture `{}`: {e}", picture.name)))?;
        // SAFETY: the host's own function; the text outlives the call.
        taken(
            unsafe { (self.host.picture)(self.host.context, abi::Str::text(&json)) },
            "a picture",
        )
    }

    fn record(&mut self, name: &str, bytes: &[u8]) -> Result<(), StageError> {
        // SAFETY: the host's own function; the bytes outlive the call.
        taken(
            unsafe {
                (self.host.record)(
                    self.host.context,
                    abi::Str::text(name),
                    abi::Str::new(bytes),
                )
            },
            "a record part",
        )
    }

    fn note(&mut self, level: Level, note: &str) {
        let level = match level {
            Level::Info => abi::LEVEL_INFO,
            Level::Warning => abi::LEVEL_WARNING,
        };
        // SAFETY: the host's own function; the text outlives the call.
        unsafe { (self.host.note)(self.host.context, level, abi::Str::text(note)) }
    }

    fn not_measured(&mut self, verdict: &Verdict) {
        // SAFETY: the host's own function; the texts outlive the call.
        unsafe {
            (self.host.not_measured)(
                self.host.context,
                verdict.sheet as u64,
                abi::Str::text(&verdict.status),
                abi::Str::text(&verdict.reason),
            );
        }
    }

    fn cancelled(&self) -> bool {
        // SAFETY: the host's own function.
        unsafe { (self.host.cancelled)(self.host.context) != 0 }
    }
}
