//! Reads a stage's settings.

use restrike_model::StageError;
use serde::de::DeserializeOwned;

/// Settings from what the config says; a stage without any gets its defaults.
///
/// # Errors
/// When they do not fit the type.
pub fn read<T: DeserializeOwned>(value: &serde_json::Value) -> Result<T, StageError> {
    let value = if value.is_null() {
        serde_json::json!({})
    } else {
        value.clone()
    };
    serde_json::from_value(value).map_err(|e| StageError::new(format!("settings: {e}")))
}
