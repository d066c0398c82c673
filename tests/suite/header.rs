//! The C header stands beside the Rust interface it is generated from.

use crate::bench::root;

#[test]
fn the_c_header_is_the_generated_one() {
    let abi = root().join("pipeline/abi");
    let config = cbindgen::Config::from_file(abi.join("cbindgen.toml")).unwrap();
    let bindings = cbindgen::Builder::new()
        .with_config(config)
        .with_src(abi.join("src/lib.rs"))
        .generate()
        .unwrap();
    let mut text = Vec::new();
    bindings.write(&mut text);
    let path = abi.join("include/restrike_stage.h");
    let committed = std::fs::read(&path).unwrap_or_default();
    if committed != text {
        if std::env::var_os("RESTRIKE_BLESS").is_some() {
            std::fs::create_dir_all(path.parent().unwrap()).unwrap();
            std::fs::write(&path, text).unwrap();
        } else {
            panic!("restrike_stage.h is stale: run the tests with RESTRIKE_BLESS=1");
        }
    }
}

#[test]
fn the_published_config_schema_is_the_generated_one() {
    let out = crate::bench::restrike().arg("schema").output().unwrap();
    assert!(out.status.success());
    let path = root().join("configs/pipeline.schema.json");
    let committed = std::fs::read(&path).unwrap_or_default();
    if committed != out.stdout {
        if std::env::var_os("RESTRIKE_BLESS").is_some() {
            std::fs::write(&path, out.stdout).unwrap();
        } else {
            panic!("pipeline.schema.json is stale: run the tests with RESTRIKE_BLESS=1");
        }
    }
}
