//! What cannot be read is named, before memory is spent on it.

use std::time::{Duration, Instant};

use restrike_engine::read::{DecodeLimits, ReadError, decode, probe, sha256};

use crate::files::{Folder, Tiff, png_file};

const LIMITS: DecodeLimits = DecodeLimits {
    max_bytes: 20_000_000,
};

fn refusal(bytes: &[u8]) -> ReadError {
    let folder = Folder::new();
    let start = Instant::now();
    let error = decode(&folder.put("scan", bytes), &LIMITS).unwrap_err();
    assert!(start.elapsed() < Duration::from_secs(2));
    error
}

#[test]
fn files_that_are_none() {
    let folder = Folder::new();
    let missing = folder.path().join("missing.tif");
    for error in [
        decode(&missing, &LIMITS).unwrap_err(),
        probe(&missing).unwrap_err(),
        sha256(&missing).unwrap_err(),
    ] {
        assert_eq!(error, ReadError::NotFound);
    }
    assert_eq!(
        decode(folder.path(), &LIMITS).unwrap_err(),
        ReadError::NotAFile
    );
    assert_eq!(refusal(b""), ReadError::Empty);
    for (bytes, words) in [
        (&b"%PDF-1.7"[..], "this is a PDF document"),
        (b"\0\0\0\x0cjP  \r\n\x87\n", "JPEG 2000"),
        (b"\0\0\0\x20ftypheic", "HEIF"),
        (b"file,impression\n", "no image format known here"),
        (b"I", "no image format known here"),
    ] {
        let error = refusal(bytes);
        assert_eq!(error.kind(), "unknown format");
        assert!(error.to_string().contains(words), "{error}");
        assert!(
            error
                .to_string()
                .ends_with("save the scan as TIFF, PNG or JPEG")
        );
    }
    let altered = b"\x89PNG\n\x1a\n\0\0\0\rIHDR";
    assert_eq!(
        refusal(altered).to_string(),
        "the file is damaged (its PNG signature was altered, as a transfer in text mode does); \
         copy or scan it again"
    );
}

#[test]
fn too_large_is_said_in_numbers() {
    // One strip of one byte that states 40,000 x 40,000 pixels does not get so far: the file
    // cannot hold it.
    let bomb = Tiff {
        width: 40_000,
        height: 40_000,
        rows_per_strip: 40_000,
        compression: 8,
        ..Tiff::default()
    };
    let error = refusal(&bomb.assemble(&[vec![0; 100]]));
    assert_eq!(error.kind(), "truncated", "{error}");
    // With strips as long as they could be it is a matter of memory.
    let error = refusal(&bomb.assemble(&[vec![0; 5_000_000]]));
    assert_eq!(
        error,
        ReadError::TooLarge {
            width: 40_000,
            height: 40_000,
            needed: match error {
                ReadError::TooLarge { needed, .. } => needed,
                _ => 0,
            },
            limit: 20_000_000,
        }
    );
    let text = error.to_string();
    assert!(
        text.starts_with("an image of 40000 x 40000 pixels takes 96")
            && text.contains("more than the 20 MB allowed"),
        "{text}"
    );

    let wide = png_file(
        6_000,
        2_500,
        png::ColorType::Grayscale,
        png::BitDepth::One,
        &vec![0; 750 * 2_500],
        |_| {},
    );
    let error = refusal(&wide);
    assert_eq!(error.kind(), "too large", "{error}");
    let folder = Folder::new();
    let path = folder.put("wide.png", &wide);
    let header = probe(&path).unwrap();
    // The image takes 30 MB; the header knows, and the bound is sharp.
    assert!((30_000_000..34_000_000).contains(&header.bytes_to_decode));
    let enough = DecodeLimits {
        max_bytes: header.bytes_to_decode,
    };
    assert!(decode(&path, &enough).is_ok());
    let short = DecodeLimits {
        max_bytes: header.bytes_to_decode - 1,
    };
    assert!(decode(&path, &short).is_err());
}

#[test]
fn kinds_that_are_not_read_are_named() {
    for (tags, words) in [
        (vec![(339, 3, vec![2, 2, 2])], "signed samples"),
        (vec![(339, 3, vec![6, 6, 6])], "complex samples"),
        (vec![(254, 4, vec![1])], "preview"),
        (vec![(262, 3, vec![8])], "L*a*b*"),
        (vec![(259, 3, vec![34712])], "JPEG 2000"),
        (vec![(259, 3, vec![6])], "old-style JPEG"),
        (vec![(259, 3, vec![3])], "CCITT group 3"),
        (vec![(262, 3, vec![6])], "YCbCr without JPEG"),
    ] {
        // Of two entries of a tag the last counts.
        let tiff = Tiff {
            tags,
            ..Tiff::default()
        };
        let error = refusal(&tiff.file(&tiff.picture()));
        assert_eq!(error.kind(), "unsupported");
        assert!(error.to_string().contains(words), "{error}");
    }
}

#[test]
fn a_cut_file_is_never_read() {
    let tiff = Tiff {
        compression: 5,
        ..Tiff::default()
    };
    let whole = tiff.file(&tiff.picture());
    let grey: Vec<u8> = (0..32 * 32).map(|i| (i * i % 251) as u8).collect();
    let png = png_file(
        32,
        32,
        png::ColorType::Grayscale,
        png::BitDepth::Eight,
        &grey,
        |_| {},
    );
    let mut jpegs = Vec::new();
    for progressive in [false, true] {
        let mut out = Vec::new();
        let mut encoder = jpeg_encoder::Encoder::new(&mut out, 90);
        encoder.set_progressive(progressive);
        encoder
            .encode(&grey, 32, 32, jpeg_encoder::ColorType::Luma)
            .unwrap();
        jpegs.push(out);
    }
    // The TIFF's directory is at its end; in these its strips are missing.
    for file in [&whole, &png, &jpegs[0], &jpegs[1]] {
        for end in (1..file.len()).step_by(file.len() / 40 + 1) {
            let error = refusal(&file[..end]);
            assert!(
                matches!(error.kind(), "truncated" | "damaged" | "unknown format"),
                "{error}"
            );
        }
    }
}

#[test]
#[cfg(unix)]
fn a_pipe_is_not_waited_for() {
    let folder = Folder::new();
    let pipe = folder.path().join("pipe");
    let made = std::process::Command::new("mkfifo").arg(&pipe).status();
    if made.is_ok_and(|s| s.success()) {
        assert_eq!(probe(&pipe).unwrap_err(), ReadError::NotAFile);
    } else {
        println!("not run: no mkfifo here");
    }
}
