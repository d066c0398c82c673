//! Making an instance of a stage and calling it.

use core::ffi::c_void;
use std::collections::BTreeMap;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use restrike_abi as abi;
use restrike_model::{Learn, Manifest, Measure, Project, Summary};

use crate::collect::{Collector, Found};
use crate::error::StageFailure;
use crate::library::Library;
use crate::marshal::{Tables, image};

/// A flag that asks running stages to end soon.
pub type Stopped = Arc<AtomicBool>;

/// A stage made ready with its settings.
#[derive(Debug)]
pub struct Instance {
    library: Arc<Library>,
    handle: *mut c_void,
    stopped: Stopped,
}

// SAFETY: the interface demands that `measure` may be called from several
// threads at once; the other calls take `&mut self`.
unsafe impl Send for Instance {}
// SAFETY: as above.
unsafe impl Sync for Instance {}

impl Drop for Instance {
    fn drop(&mut self) {
        if let Some(destroy) = self.library.table.destroy {
            // SAFETY: made by this library's `create`, ended once.
            unsafe { destroy(self.handle) }
        }
    }
}

fn json<T: serde::Serialize>(value: &T) -> Result<String, StageFailure> {
    serde_json::to_string(value).map_err(|e| StageFailure::Error(e.to_string()))
}

impl Instance {
    /// Makes an instance.
    ///
    /// # Errors
    /// When the stage refuses its settings or a record part, with its reason.
    pub fn new(
        library: &Arc<Library>,
        settings: &serde_json::Value,
        project: &Project,
        records: &BTreeMap<String, Vec<u8>>,
        stopped: &Stopped,
    ) -> Result<(Self, Found), StageFailure> {
        let settings = json(settings)?;
        let project = json(project)?;
        let parts: Vec<abi::RecordPart> = records
            .iter()
            .map(|(name, data)| abi::RecordPart {
                name: abi::Str::text(name),
                data: abi::Str::new(data),
            })
            .collect();
        let setup = abi::Setup {
            struct_size: abi::size_of::<abi::Setup>(),
            reserved: 0,
            settings: abi::Str::text(&settings),
            project: abi::Str::text(&project),
            records: parts.as_ptr(),
            record_count: parts.len(),
        };
        let mut collector = Collector::new(library.manifest(), stopped);
        let create = library
            .table
            .create
            .ok_or_else(|| StageFailure::Contract("no `create`".to_owned()))?;
        let host = collector.host();
        // SAFETY: everything passed lives until the call returns.
        let handle = unsafe { create(&raw const setup, &raw const host) };
        if handle.is_null() {
            return Err(StageFailure::Error(collector.failure.unwrap_or_else(
                || "could not be made ready and did not say why".to_owned(),
            )));
        }
        let instance = Self {
            library: Arc::clone(library),
            handle,
            stopped: Arc::clone(stopped),
        };
        Ok((instance, collector.found))
    }

    /// What the stage says of itself.
    pub fn manifest(&self) -> &Manifest {
        self.library.manifest()
    }

    fn call(
        &self,
        run: impl FnOnce(*mut c_void, *const abi::Host) -> i32,
    ) -> Result<Found, StageFailure> {
        let mut collector = Collector::new(self.library.manifest(), &self.stopped);
        let host = collector.host();
        let status = run(self.handle, &raw const host);
        if let Some(breach) = collector.breach {
            return Err(StageFailure::Contract(breach));
        }
        let reason = collector.failure;
        match status {
            abi::STATUS_OK => Ok(collector.found),
            abi::STATUS_PANIC => Err(StageFailure::Panic(reason.unwrap_or_default())),
            other => Err(StageFailure::Error(reason.unwrap_or_else(|| {
                format!("returned status {other} and did not say why")
            }))),
        }
    }

    fn with_input(
        &self,
        m: &Measure<'_>,
        call: Option<unsafe extern "C" fn(*mut c_void, *const abi::Input, *const abi::Host) -> i32>,
    ) -> Result<Found, StageFailure> {
        let call = call.ok_or_else(|| StageFailure::Contract("a call it does not have".into()))?;
        let impression = json(m.impression)?;
        let info = json(m.info)?;
        let too_large = || StageFailure::Error("the scan is too large for the interface".into());
        let scan = image("scan", &m.scan, m.info.dpi.mm_per_px()).ok_or_else(too_large)?;
        let tables = Tables::new(m.tables);
        let table_list = tables.list();
        let images = m
            .images
            .iter()
            .map(|(name, view)| image(name, view, [0.0, 0.0]))
            .collect::<Option<Vec<_>>>()
            .ok_or_else(too_large)?;
        let input = abi::Input {
            struct_size: abi::size_of::<abi::Input>(),
            step: abi::STEP_IMPRESSION,
            impression: abi::Str::text(&impression),
            scan_info: abi::Str::text(&info),
            scan: &raw const scan,
            tables: table_list.as_ptr(),
            table_count: table_list.len(),
            images: images.as_ptr(),
            image_count: images.len(),
        };
        // SAFETY: everything passed lives until the call returns.
        self.call(|handle, host| unsafe { call(handle, &raw const input, host) })
    }

    /// Measures one impression. May be called from several threads at once.
    ///
    /// # Errors
    /// When the stage fails on this sheet.
    pub fn measure(&self, input: &Measure<'_>) -> Result<Found, StageFailure> {
        self.with_input(input, self.library.table.measure)
    }

    /// A step of learning.
    ///
    /// # Errors
    /// When the stage cannot learn from this.
    pub fn learn(&mut self, step: Learn<'_>) -> Result<Found, StageFailure> {
        match step {
            Learn::Impression(m) => self.with_input(&m, self.library.table.learn),
            Learn::Finish => {
                let call =
                    self.library.table.learn.ok_or_else(|| {
                        StageFailure::Contract("a call it does not have".to_owned())
                    })?;
                let input = abi::Input {
                    struct_size: abi::size_of::<abi::Input>(),
                    step: abi::STEP_FINISH,
                    impression: abi::Str::empty(),
                    scan_info: abi::Str::empty(),
                    scan: core::ptr::null(),
                    tables: core::ptr::null(),
                    table_count: 0,
                    images: core::ptr::null(),
                    image_count: 0,
                };
                // SAFETY: everything passed lives until the call returns.
                self.call(|handle, host| unsafe { call(handle, &raw const input, host) })
            }
        }
    }

    /// Looks at the whole run.
    ///
    /// # Errors
    /// When the stage cannot sum it up.
    pub fn summarise(&mut self, summary: Summary<'_>) -> Result<Found, StageFailure> {
        let call = self
            .library
            .table
            .summarise
            .ok_or_else(|| StageFailure::Contract("a call it does not have".to_owned()))?;
        let impressions = json(&summary.impressions)?;
        let tables = Tables::new(summary.tables);
        let list = tables.list();
        let run = abi::Run {
            struct_size: abi::size_of::<abi::Run>(),
            reserved: 0,
            impressions: abi::Str::text(&impressions),
            tables: list.as_ptr(),
            table_count: list.len(),
        };
        // SAFETY: everything passed lives until the call returns.
        self.call(|handle, host| unsafe { call(handle, &raw const run, host) })
    }
}
