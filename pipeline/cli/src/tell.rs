//! Telling how a run goes: a bar for people at a terminal, lines elsewhere,
//! JSON lines for programs. All on standard error.

use std::io::Write;
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use restrike_engine::{Event, MEASURED, Observer};
use restrike_model::Level;
use serde_json::{Value, json};

use crate::args::Log;
use crate::plan::counted;

/// Tells events as they come.
pub(crate) struct Teller {
    log: Log,
    bar: ProgressBar,
    /// Sheets that an earlier run had done.
    earlier: AtomicUsize,
    // Lines of several threads must not mix.
    out: Mutex<std::io::Stderr>,
}

impl Teller {
    pub(crate) fn new(log: Log) -> Self {
        let bar = ProgressBar::new(0);
        // indicatif hides the bar itself where standard error is no terminal.
        bar.set_draw_target(match log {
            Log::Text => ProgressDrawTarget::stderr(),
            Log::Json | Log::Quiet => ProgressDrawTarget::hidden(),
        });
        if let Ok(style) = ProgressStyle::with_template("{msg} {bar:30} {pos}/{len} {eta}") {
            bar.set_style(style);
        }
        Self {
            log,
            bar,
            earlier: AtomicUsize::new(0),
            out: Mutex::new(std::io::stderr()),
        }
    }

    /// A line for people.
    pub(crate) fn say(&self, text: &str) {
        if self.log == Log::Text {
            self.bar.suspend(|| self.line(text));
        }
    }

    /// An error, in whichever form is asked for.
    pub(crate) fn error(&self, kind: &str, text: &str) {
        self.bar.finish_and_clear();
        if self.log == Log::Json {
            self.line(&json!({"event": "error", "kind": kind, "message": text}).to_string());
        } else {
            self.line(&format!("restrike: {text}"));
        }
    }

    /// The run has come to its end.
    pub(crate) fn finish(&self, counts: &Value, text: &str) {
        self.bar.finish_and_clear();
        match self.log {
            Log::Json => self.line(&counts.to_string()),
            Log::Text => {
                let earlier = self.earlier.load(Ordering::Relaxed);
                if earlier > 0 {
                    self.line(&format!(
                        "{} taken over from an earlier run",
                        counted(earlier, "sheet")
                    ));
                }
                self.line(text);
            }
            Log::Quiet => {}
        }
    }

    fn line(&self, text: &str) {
        if let Ok(mut out) = self.out.lock() {
            // Nobody may be reading; the run goes on.
            let _ = writeln!(out, "{text}");
        }
    }
}

fn level(level: Level) -> &'static str {
    match level {
        Level::Info => "info",
        Level::Warning => "warning",
    }
}

fn as_json(event: &Event) -> Value {
    match event {
        Event::Started { sheets, stages } => {
            json!({"event": "started", "sheets": sheets, "stages": stages})
        }
        Event::Learning { stage, impressions } => {
            json!({"event": "learning", "stage": stage, "impressions": impressions})
        }
        Event::LearnedBefore { stage } => json!({"event": "learned-before", "stage": stage}),
        Event::SheetDone {
            sheet,
            file,
            status,
            reason,
            earlier,
        } => json!({
            "event": "sheet", "sheet": sheet, "file": file, "status": status,
            "reason": reason, "earlier": earlier,
        }),
        Event::Verdict {
            sheet,
            file,
            status,
            reason,
        } => json!({
            "event": "verdict", "sheet": sheet, "file": file, "status": status, "reason": reason,
        }),
        Event::Note {
            sheet,
            stage,
            level: l,
            text,
        } => json!({
            "event": "note", "sheet": sheet, "stage": stage, "level": level(*l), "text": text,
        }),
        Event::Summarising { stage } => json!({"event": "summarising", "stage": stage}),
    }
}

impl Observer for Teller {
    fn event(&self, event: &Event) {
        if self.log == Log::Json {
            self.line(&as_json(event).to_string());
            return;
        }
        match event {
            Event::Started { sheets, stages } => {
                self.say(&format!(
                    "{}; stages: {}",
                    counted(*sheets, "sheet"),
                    stages.join(", ")
                ));
                self.bar.set_length(*sheets as u64);
                self.bar.set_message("sheets");
            }
            Event::Learning { stage, impressions } => {
                self.say(&format!(
                    "{stage} learns from {}",
                    counted(*impressions, "impression")
                ));
            }
            Event::LearnedBefore { .. } => {}
            Event::SheetDone {
                sheet,
                file,
                status,
                reason,
                earlier,
            } => {
                self.earlier
                    .fetch_add(usize::from(*earlier), Ordering::Relaxed);
                if status != MEASURED {
                    self.say(&format!("sheet {sheet}, {file}: {status}: {reason}"));
                }
                self.bar.inc(1);
            }
            Event::Verdict {
                sheet,
                file,
                status,
                reason,
            } => self.say(&format!("sheet {sheet}, {file}: {status}: {reason}")),
            Event::Note {
                sheet,
                stage,
                level: Level::Warning,
                text,
            } => {
                let sheet = sheet.map(|s| format!("sheet {s}, ")).unwrap_or_default();
                self.say(&format!("{sheet}{stage}: {text}"));
            }
            Event::Note { .. } => {}
            Event::Summarising { stage } => self.bar.set_message(format!("{stage} sums up")),
        }
    }
}
