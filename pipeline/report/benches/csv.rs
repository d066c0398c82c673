//! A table of 100,000 rows and 50 columns of numbers as CSV.

use restrike_model::{ColumnSpec, Scope, TableSpec, Value};
use restrike_report::csv::CsvWriter;

fn main() {
    divan::main();
}

#[divan::bench(args = [Some(4), None], sample_count = 3, sample_size = 1)]
fn numbers(bencher: divan::Bencher<'_, '_>, decimals: Option<u8>) {
    let column = |k| ColumnSpec {
        decimals,
        ..ColumnSpec::number(&format!("shift_{k}_mm"), "mm", 0, "A shift.")
    };
    let spec = TableSpec {
        name: "long".into(),
        title: "Long".into(),
        scope: Scope::Run,
        internal: false,
        columns: (0..50).map(column).collect(),
    };
    bencher.bench_local(|| {
        let mut csv = CsvWriter::new(&spec, std::io::sink())?;
        let mut row = vec![Value::Null; 50];
        for r in 0..100_000 {
            for (c, cell) in row.iter_mut().enumerate() {
                *cell = Value::Number(f64::from(r) * 0.001_7 - c as f64 * 3.1);
            }
            csv.row(&row)?;
        }
        csv.finish().map(|_| ())
    });
}
