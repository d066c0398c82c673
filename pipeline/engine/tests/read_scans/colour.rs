//! Profiles and colour chunks against colorimetry done here.

use moxcms::{ColorProfile, ToneReprCurve};
use restrike_engine::read::Scan;

use crate::files::{Tiff, distance, lit, png_file, png_with_chunk, scan};

type M3 = [[f64; 3]; 3];

fn mul(m: &M3, v: [f64; 3]) -> [f64; 3] {
    m.map(|r| r[0] * v[0] + r[1] * v[1] + r[2] * v[2])
}

fn inverse(m: &M3) -> M3 {
    let c = |a: usize, b: usize, d: usize, e: usize| m[a][b] * m[d][e] - m[a][e] * m[d][b];
    let det = m[0][0] * c(1, 1, 2, 2) - m[0][1] * c(1, 0, 2, 2) + m[0][2] * c(1, 0, 2, 1);
    [
        [c(1, 1, 2, 2), -c(0, 1, 2, 2), c(0, 1, 1, 2)],
        [-c(1, 0, 2, 2), c(0, 0, 2, 2), -c(0, 0, 1, 2)],
        [c(1, 0, 2, 1), -c(0, 0, 2, 1), c(0, 0, 1, 1)],
    ]
    .map(|r| r.map(|v| v / det))
}

/// RGB to XYZ from chromaticities (SMPTE RP 177 section 3.3): primaries scaled to sum to white.
fn to_xyz(primaries: [[f64; 2]; 3], white: [f64; 2]) -> M3 {
    let xyz = |[x, y]: [f64; 2]| [x / y, 1.0, (1.0 - x - y) / y];
    let p = primaries.map(xyz);
    let columns = [0, 1, 2].map(|i| [p[0][i], p[1][i], p[2][i]]);
    let s = mul(&inverse(&columns), xyz(white));
    columns.map(|r| [r[0] * s[0], r[1] * s[1], r[2] * s[2]])
}

const D65: [f64; 2] = [0.3127, 0.3290];
const SRGB: [[f64; 2]; 3] = [[0.64, 0.33], [0.30, 0.60], [0.15, 0.06]];
/// Adobe RGB (1998) section 4.3.1.
const ADOBE: [[f64; 2]; 3] = [[0.64, 0.33], [0.21, 0.71], [0.15, 0.06]];
/// Display P3: SMPTE RP 431-2 primaries with D65.
const P3: [[f64; 2]; 3] = [[0.680, 0.320], [0.265, 0.690], [0.150, 0.060]];

/// Linear sRGB, unclipped, of linear light in other primaries with white D65.
fn to_srgb(primaries: [[f64; 2]; 3], rgb: [f64; 3]) -> [f64; 3] {
    mul(
        &inverse(&to_xyz(SRGB, D65)),
        mul(&to_xyz(primaries, D65), rgb),
    )
}

fn with_profile(tiff: &Tiff, values: &[u32], profile: &[u8]) -> Scan {
    let mut tiff = tiff.clone();
    let bytes = profile.iter().map(|b| u64::from(*b)).collect();
    tiff.tags.push((34675, 7, bytes));
    scan(&tiff.file(values))
}

/// Compares with the colorimetry above; the profile stores its numbers to 1/65536, adapted to D50
/// and back.
fn check(
    profile: &ColorProfile,
    primaries: [[f64; 2]; 3],
    decode: impl Fn(f64) -> f64,
    bits: u32,
    name: &str,
) {
    let tiff = Tiff {
        bits,
        ..Tiff::default()
    };
    let values = tiff.picture();
    let read = with_profile(&tiff, &values, &profile.encode().unwrap());
    assert_eq!(read.colour, name);
    let mut outside = 0;
    let expected: Vec<f64> = values
        .chunks(3)
        .flat_map(|p| {
            let max = f64::from(tiff.max());
            let light = [0, 1, 2].map(|c| decode(f64::from(p[c]) / max));
            let rgb = to_srgb(primaries, light);
            outside += u64::from(rgb.iter().any(|v| !(-5e-4..=1.0005).contains(v)));
            rgb.map(|v| 65535.0 * v.clamp(0.0, 1.0))
        })
        .collect();
    let (mean, worst) = distance(read.image.data(), &expected);
    assert!(
        worst < 20.0 && mean < 4.0,
        "{name}, {bits} bits: mean {mean}, worst {worst}"
    );
    let count = read.clipped.abs_diff(outside);
    assert!(
        outside > 100 && count <= outside / 50,
        "{name}: {} clipped, {outside}",
        read.clipped
    );
}

#[test]
fn adobe_rgb_and_display_p3() {
    for bits in [8, 16] {
        // Adobe RGB (1998) section 4.3.4.2: the exponent is 2 51/256.
        let gamma = |v: f64| libm::pow(v, 2.0 + 51.0 / 256.0);
        let adobe = ColorProfile::new_adobe_rgb();
        check(&adobe, ADOBE, gamma, bits, "Adobe RGB 1998");
        let p3 = ColorProfile::new_display_p3();
        check(&p3, P3, crate::files::srgb, bits, "Display P3");
    }
}

#[test]
fn an_srgb_profile_is_known_as_such() {
    let tiff = Tiff::default();
    let values = tiff.picture();
    let profile = ColorProfile::new_srgb().encode().unwrap();
    let read = with_profile(&tiff, &values, &profile);
    let expected: Vec<f64> = values.iter().map(|v| lit(*v, 255)).collect();
    // Bit for bit as without a profile: no matrix was applied.
    assert!(distance(read.image.data(), &expected).1 < 0.51);
    assert_eq!(read.colour, "sRGB IEC61966-2.1");
    assert_eq!(read.clipped, 0);
    let icc = read.header.icc.unwrap();
    assert_eq!(icc.description.as_deref(), Some("sRGB IEC61966-2.1"));
    assert_eq!(icc.bytes, profile.len() as u64);
}

#[test]
fn grey_profiles() {
    for bits in [8, 16] {
        let tiff = Tiff {
            samples: 1,
            photometric: 1,
            bits,
            ..Tiff::default()
        };
        let values = tiff.picture();
        let max = f64::from(tiff.max());
        let profile = ColorProfile::new_gray_with_gamma(1.8);
        let read = with_profile(&tiff, &values, &profile.encode().unwrap());
        let expected: Vec<f64> = values
            .iter()
            .map(|v| 65535.0 * libm::pow(f64::from(*v) / max, 1.8))
            .collect();
        let (_, worst) = distance(read.image.data(), &expected);
        // The exponent is stored to 1/256.
        assert!(worst < 150.0, "{worst}");
        assert!(!read.colour.starts_with("sRGB"), "{}", read.colour);
    }
}

/// A profile with a lookup table from CMYK: 2 grid points an ink, PCS Lab of 16 bits (`mft2`, ICC.1
/// section 10.10: L* 100 = 0xff00, a* 0 = 0x8000). White at no ink, black wherever K is full, and
/// L* falls evenly with C+M+Y.
fn cmyk_profile() -> Vec<u8> {
    let mut lut = b"mft2\0\0\0\0".to_vec();
    lut.extend([4, 3, 2, 0]);
    for v in [1, 0, 0, 0, 1, 0, 0, 0, 1] {
        lut.extend((v * 65536_i32).to_be_bytes());
    }
    lut.extend([0, 2, 0, 2]);
    let ramp = [0, 0, 0xff, 0xff];
    (0..4).for_each(|_| lut.extend(ramp));
    for i in 0..16_u32 {
        let (inks, k) = ((i >> 1).count_ones(), i & 1);
        let l = if k == 1 { 0 } else { 0xff00 - 0x5500 * inks };
        lut.extend((l as u16).to_be_bytes());
        lut.extend([0x80, 0, 0x80, 0]);
    }
    (0..3).for_each(|_| lut.extend(ramp));
    let desc = b"desc\0\0\0\0\0\0\0\x0ftest of 4 inks\0".to_vec();
    let mut tags = Vec::new();
    let mut body = Vec::new();
    for (name, data) in [(b"desc", desc), (b"A2B0", lut.clone()), (b"A2B1", lut)] {
        tags.extend(name);
        tags.extend((132_u32 + 36 + body.len() as u32).to_be_bytes());
        tags.extend((data.len() as u32).to_be_bytes());
        body.extend(&data);
        body.resize(body.len().next_multiple_of(4), 0);
    }
    let mut out = vec![0; 128];
    let total = 132 + tags.len() + body.len();
    out[..4].copy_from_slice(&(total as u32).to_be_bytes());
    out[8..12].copy_from_slice(&[2, 0x40, 0, 0]);
    out[12..24].copy_from_slice(b"prtrCMYKLab ");
    out[36..40].copy_from_slice(b"acsp");
    out[68..80].copy_from_slice(&[0, 0, 0xf6, 0xd6, 0, 1, 0, 0, 0, 0, 0xd3, 0x2d]);
    out.extend(3_u32.to_be_bytes());
    out.extend(tags);
    out.extend(body);
    out
}

/// CIE 1976 L* to relative luminance (ISO/CIE 11664-4).
fn luminance(l: f64) -> f64 {
    let f = (l + 16.0) / 116.0;
    if f > 6.0 / 29.0 {
        f * f * f
    } else {
        3.0 * (6.0 / 29.0) * (6.0 / 29.0) * (f - 4.0 / 29.0)
    }
}

#[test]
fn cmyk_through_its_profile() {
    let tiff = Tiff {
        samples: 4,
        photometric: 5,
        ..Tiff::default()
    };
    let n = tiff.width * tiff.height;
    let values: Vec<u32> = (0..n as u32)
        .flat_map(|i| match i % 4 {
            0 => [0, 0, 0, 0],
            1 => [i % 256; 4],
            2 => [i % 256, 0, 0, 0],
            _ => [0, 0, 0, i % 256],
        })
        .collect();
    let read = with_profile(&tiff, &values, &cmyk_profile());
    assert_eq!(read.colour, "test of 4 inks");
    for (pixel, inks) in read.image.data().chunks(3).zip(values.chunks(4)) {
        let v = |i: usize| f64::from(inks[i]) / 255.0;
        // Multilinear between the corners, in L*.
        let l = (100.0 - 100.0 / 3.0 * (v(0) + v(1) + v(2))) * (1.0 - v(3));
        let light = 65535.0 * luminance(l.max(0.0));
        for c in pixel {
            let off = (f64::from(*c) - light).abs();
            assert!(off < 60.0 + 0.01 * light, "{inks:?}: {pixel:?}, {light}");
        }
    }
}

#[test]
fn a_profile_that_does_not_fit_is_said_and_not_used() {
    let tiff = Tiff::default();
    let values = tiff.picture();
    let expected: Vec<f64> = values.iter().map(|v| lit(*v, 255)).collect();
    let grey = ColorProfile::new_gray_with_gamma(1.8).encode().unwrap();
    for (profile, words) in [
        (grey, "not used"),
        (cmyk_profile(), "not used"),
        (b"no profile at all".to_vec(), "unreadable"),
        (Vec::new(), "unreadable"),
    ] {
        let read = with_profile(&tiff, &values, &profile);
        assert!(distance(read.image.data(), &expected).1 < 0.51);
        assert!(
            read.colour.starts_with("sRGB (embedded profile") && read.colour.contains(words),
            "{}",
            read.colour
        );
    }
}

#[test]
fn png_chunks_in_their_order_of_rank() {
    let data: Vec<u8> = (0..=255).flat_map(|v| [v, 255 - v, v / 2]).collect();
    let eight = png::BitDepth::Eight;
    let plain = png_file(16, 16, png::ColorType::Rgb, eight, &data, |_| {});
    let gama = |v: u32| v.to_be_bytes();
    let expect = |file: &[u8], colour: &str, decode: &dyn Fn(f64) -> f64, most: f64| {
        let read = scan(file);
        assert_eq!(read.colour, colour);
        let expected: Vec<f64> = data
            .iter()
            .map(|v| 65535.0 * decode(f64::from(*v) / 255.0))
            .collect();
        let (_, worst) = distance(read.image.data(), &expected);
        assert!(worst < most, "{colour}: {worst}");
    };
    let srgb = crate::files::srgb;
    expect(&plain, "sRGB (untagged)", &srgb, 0.51);
    let tagged = png_with_chunk(&plain, b"sRGB", &[1]);
    expect(&tagged, "sRGB (PNG sRGB)", &srgb, 0.51);
    // gAMA beside sRGB does not count; alone at 1/2.2 it means sRGB; other values are meant.
    let both = png_with_chunk(&tagged, b"gAMA", &gama(100_000));
    expect(&both, "sRGB (PNG sRGB)", &srgb, 0.51);
    let usual = png_with_chunk(&plain, b"gAMA", &gama(45_455));
    expect(&usual, "sRGB (PNG gAMA)", &srgb, 0.51);
    let linear = png_with_chunk(&plain, b"gAMA", &gama(100_000));
    expect(&linear, "PNG gAMA 1.00000", &|v| v, 2.0);
    let mac = png_with_chunk(&plain, b"gAMA", &gama(55_556));
    let decode = |v| libm::pow(v, 1.0 / 0.55556);
    expect(&mac, "PNG gAMA 0.55556", &decode, 4.0);

    // cHRM of Adobe RGB with a gamma of 2.2.
    let xy = [31270, 32900, 64000, 33000, 21000, 71000, 15000, 6000];
    let body: Vec<u8> = xy.iter().flat_map(|v: &u32| v.to_be_bytes()).collect();
    let wide = png_with_chunk(&usual, b"cHRM", &body);
    let read = scan(&wide);
    assert_eq!(read.colour, "PNG gAMA 0.45455 and cHRM");
    for (pixel, p) in read.image.data().chunks(3).zip(data.chunks(3)) {
        let light = [0, 1, 2].map(|c| libm::pow(f64::from(p[c]) / 255.0, 1.0 / 0.45455));
        for (found, v) in pixel.iter().zip(to_srgb(ADOBE, light)) {
            let off = (f64::from(*found) - 65535.0 * v.clamp(0.0, 1.0)).abs();
            assert!(off < 30.0, "{p:?}: {pixel:?}");
        }
    }

    // iCCP ranks above all of them.
    let mut profile = ColorProfile::new_srgb();
    profile.cicp = None;
    let cube = ToneReprCurve::Parametric(vec![3.0]);
    profile.red_trc = Some(cube.clone());
    profile.green_trc = Some(cube.clone());
    profile.blue_trc = Some(cube);
    profile.description = None;
    let bytes = profile.encode().unwrap();
    let with_icc = png_file(16, 16, png::ColorType::Rgb, eight, &data, |info| {
        info.icc_profile = Some(bytes.into());
    });
    let both = png_with_chunk(&with_icc, b"gAMA", &gama(100_000));
    expect(&both, "unnamed profile", &|v| v * v * v, 30.0);
}

/// 8-bit sRGB and its linear light by IEC 61966-2-1, worked out apart from this project (constants
/// typed from memory); 10 is the last value of the straight part and 11 the first beyond it.
#[test]
fn known_values_of_srgb() {
    const KNOWN: [([u8; 3], [f64; 3]); 7] = [
        ([255, 0, 0], [1.0, 0.0, 0.0]),
        ([128, 128, 128], [0.2158605, 0.2158605, 0.2158605]),
        ([10, 11, 119], [0.00303527, 0.00334654, 0.18447499]),
        ([200, 180, 150], [0.57758044, 0.45641102, 0.30498731]),
        ([40, 60, 110], [0.02121901, 0.0451862, 0.15592646]),
        ([187, 68, 40], [0.496933, 0.05780543, 0.02121901]),
        ([0, 255, 255], [0.0, 1.0, 1.0]),
    ];
    let data = KNOWN.map(|(rgb, _)| rgb);
    let (rgb, eight) = (png::ColorType::Rgb, png::BitDepth::Eight);
    let read = scan(&png_file(7, 1, rgb, eight, data.as_flattened(), |_| {}));
    let expected = KNOWN.map(|(_, linear)| linear.map(|v| 65535.0 * v));
    let (_, worst) = distance(read.image.data(), expected.as_flattened());
    assert!(worst < 0.51, "off by {worst}");
}
