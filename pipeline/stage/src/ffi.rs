//! The C functions behind a stage's table, generic over the Rust type.

use core::ffi::c_void;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::OnceLock;

use restrike_abi as abi;
use restrike_model::{Learn, Stage, StageError, TableSpec};

use crate::incoming;
use crate::outgoing::HostOutput;

/// A stage's table with the text it points to.
#[derive(Debug)]
pub struct Exported {
    // Owns the bytes that `table.manifest` points to.
    _manifest: String,
    table: abi::StageTable,
}

/// The table of a stage, made at the first call.
pub fn exported<S: Stage + 'static>(cell: &'static OnceLock<Exported>) -> *const abi::StageTable {
    let made = cell.get_or_init(|| {
        // A manifest that panics leaves empty text, which the host refuses by name.
        let (manifest, phases) = catch_unwind(|| {
            let m = S::manifest();
            let phases = m.phases;
            (serde_json::to_string(&m).unwrap_or_default(), phases)
        })
        .unwrap_or_default();
        let table = abi::StageTable {
            struct_size: abi::size_of::<abi::StageTable>(),
            abi_version: abi::ABI_VERSION,
            manifest: abi::Str::new(manifest.as_bytes()),
            create: Some(create::<S>),
            destroy: Some(destroy::<S>),
            learn: phases.learn.then_some(learn::<S> as _),
            measure: phases.measure.then_some(measure::<S> as _),
            summarise: phases.summarise.then_some(summarise::<S> as _),
        };
        Exported {
            _manifest: manifest,
            table,
        }
    });
    &raw const made.table
}

/// Runs a call behind the panic guard and turns its outcome into a status.
fn guarded(host: &HostOutput, call: impl FnOnce() -> Result<(), StageError>) -> i32 {
    match catch_unwind(AssertUnwindSafe(call)) {
        Ok(Ok(())) => abi::STATUS_OK,
        Ok(Err(e)) => {
            host.fail(&e.0);
            abi::STATUS_ERROR
        }
        Err(payload) => {
            let text = payload
                .downcast_ref::<&str>()
                .map(|s| (*s).to_owned())
                .or_else(|| payload.downcast_ref::<String>().cloned())
                .unwrap_or_else(|| "no message".to_owned());
            host.fail(&text);
            abi::STATUS_PANIC
        }
    }
}

/// An instance, with the declared tables at hand.
struct Instance<S> {
    stage: S,
    tables: Vec<TableSpec>,
}

unsafe extern "C" fn create<S: Stage>(
    setup: *const abi::Setup,
    host: *const abi::Host,
) -> *mut c_void {
    // SAFETY: the host passes valid pointers for the time of the call.
    let out = unsafe { HostOutput::new(host, &[]) };
    let mut made = None;
    guarded(&out, || {
        // SAFETY: as above.
        let (settings, project, records) = unsafe { incoming::setup(setup)? };
        made = Some(Instance {
            stage: S::new(&settings, &project, &records)?,
            tables: S::manifest().gives.tables,
        });
        Ok(())
    });
    made.map_or(core::ptr::null_mut(), |s| Box::into_raw(Box::new(s)).cast())
}

unsafe extern "C" fn destroy<S: Stage>(stage: *mut c_void) {
    if !stage.is_null() {
        // SAFETY: made by `create::<S>` from a box, and ended once.
        let boxed = unsafe { Box::from_raw(stage.cast::<Instance<S>>()) };
        let _ = catch_unwind(AssertUnwindSafe(move || drop(boxed)));
    }
}

unsafe extern "C" fn learn<S: Stage>(
    stage: *mut c_void,
    input: *const abi::Input,
    host: *const abi::Host,
) -> i32 {
    // SAFETY: `stage` was made by `create::<S>`.
    let Instance { stage, tables } = unsafe { &*stage.cast::<Instance<S>>() };
    // SAFETY: the host passes valid pointers for the time of the call.
    let mut out = unsafe { HostOutput::new(host, tables) };
    let guard = out;
    guarded(&guard, || {
        // SAFETY: as above.
        if unsafe { (*input).step } == abi::STEP_FINISH {
            return stage.learn(Learn::Finish, &mut out);
        }
        // SAFETY: as above.
        let owned = unsafe { incoming::MeasureOwned::read(input)? };
        stage.learn(Learn::Impression(owned.borrow()), &mut out)
    })
}

unsafe extern "C" fn measure<S: Stage>(
    stage: *mut c_void,
    input: *const abi::Input,
    host: *const abi::Host,
) -> i32 {
    // SAFETY: `stage` was made by `create::<S>`.
    let Instance { stage, tables } = unsafe { &*stage.cast::<Instance<S>>() };
    // SAFETY: the host passes valid pointers for the time of the call.
    let mut out = unsafe { HostOutput::new(host, tables) };
    let guard = out;
    guarded(&guard, || {
        // SAFETY: as above.
        let owned = unsafe { incoming::MeasureOwned::read(input)? };
        stage.measure(owned.borrow(), &mut out)
    })
}

unsafe extern "C" fn summarise<S: Stage>(
    stage: *mut c_void,
    run: *const abi::Run,
    host: *const abi::Host,
) -> i32 {
    // SAFETY: `stage` was made by `create::<S>`.
    let Instance { stage, tables } = unsafe { &*stage.cast::<Instance<S>>() };
    // SAFETY: the host passes valid pointers for the time of the call.
    let mut out = unsafe { HostOutput::new(host, tables) };
    let guard = out;
    guarded(&guard, || {
        // SAFETY: as above.
        let (impressions, tables) = unsafe { incoming::run(run)? };
        stage.summarise(
            restrike_model::Summary {
                impressions: &impressions,
                tables: &tables,
            },
            &mut out,
        )
    })
}
