//! The model's types as the interface's structures, with what they point to.

use restrike_abi as abi;
use restrike_model::{ImageView, Sample, SampleKind, Table, Value};

/// A view as an image structure; sizes beyond the interface's range give none.
pub(crate) fn image<T: Sample>(
    name: &str,
    view: &ImageView<'_, T>,
    mm_per_px: [f64; 2],
) -> Option<abi::Image> {
    let size = size_of::<T>();
    Some(abi::Image {
        struct_size: abi::size_of::<abi::Image>(),
        sample: match T::KIND {
            SampleKind::U8 => abi::SAMPLE_U8,
            SampleKind::U16 => abi::SAMPLE_U16,
            SampleKind::F32 => abi::SAMPLE_F32,
        },
        name: abi::Str::text(name),
        data: view.buffer().as_ptr().cast(),
        width: u32::try_from(view.width()).ok()?,
        height: u32::try_from(view.height()).ok()?,
        channels: u32::try_from(view.channels()).ok()?,
        reserved: 0,
        x_stride: i64::try_from(view.channels() * size).ok()?,
        y_stride: i64::try_from(view.row_stride() * size).ok()?,
        channel_stride: i64::try_from(size).ok()?,
        mm_per_px_x: mm_per_px[0],
        mm_per_px_y: mm_per_px[1],
    })
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

/// Tables as structures, with the arrays those point to.
pub(crate) struct Tables<'a> {
    tables: &'a [Table],
    columns: Vec<Vec<abi::Str>>,
    cells: Vec<Vec<abi::Value>>,
}

impl<'a> Tables<'a> {
    pub(crate) fn new(tables: &'a [Table]) -> Self {
        Self {
            tables,
            columns: tables
                .iter()
                .map(|t| t.columns.iter().map(|c| abi::Str::text(c)).collect())
                .collect(),
            cells: tables
                .iter()
                .map(|t| t.rows.iter().flatten().map(cell).collect())
                .collect(),
        }
    }

    /// The structures; they point into `self`.
    pub(crate) fn list(&self) -> Vec<abi::Table> {
        self.tables
            .iter()
            .zip(self.columns.iter().zip(&self.cells))
            .map(|(t, (columns, cells))| abi::Table {
                struct_size: abi::size_of::<abi::Table>(),
                // No table has four thousand million columns.
                column_count: u32::try_from(columns.len()).unwrap_or(u32::MAX),
                name: abi::Str::text(&t.name),
                columns: columns.as_ptr(),
                row_count: t.rows.len(),
                cells: cells.as_ptr(),
            })
            .collect()
    }
}
