//! From a file's colour space to a model that turns its samples into linear sRGB.
//!
//! Matrix and grey profiles are evaluated here (curves through `libm`, so that results do not
//! depend on the platform); profiles with lookup tables, CMYK among them, go through `moxcms` with
//! the relative colorimetric table, or the perceptual one where that is all they have.

use std::sync::Arc;

use moxcms::{
    ColorProfile, DataColorSpace, Layout, ProfileText, RenderingIntent, ToneReprCurve,
    TransformOptions,
};

use super::curve::{self, Sense};
use super::model::{Device, Matrix, Model};

/// What the samples are of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Inks {
    Grey,
    Rgb,
    Cmyk,
}

impl Inks {
    /// Samples a pixel.
    pub(super) fn count(self) -> usize {
        match self {
            Self::Grey => 1,
            Self::Rgb => 3,
            Self::Cmyk => 4,
        }
    }

    /// Channels of the decoded image.
    pub(super) fn out_channels(self) -> usize {
        if self == Self::Grey { 1 } else { 3 }
    }
}

/// What a file says of its colour space.
pub(super) enum Tagged {
    /// Nothing: sRGB is assumed.
    No,
    /// Nothing, and samples are floats: linear light is assumed.
    NoFloat,
    /// sRGB, in the words of the file.
    Srgb(&'static str),
    /// A profile: embedded, or made from a PNG's gAMA and cHRM.
    Profile(Box<ColorProfile>, String),
    /// A profile that cannot be read.
    Broken(String),
}

impl Tagged {
    /// From an embedded profile.
    pub(super) fn icc(bytes: &[u8]) -> Self {
        match ColorProfile::new_from_slice(bytes) {
            Ok(profile) => {
                let name = description(&profile);
                Self::Profile(Box::new(profile), name)
            }
            Err(e) => Self::Broken(e.to_string()),
        }
    }

    /// From PNG's gAMA (the exponent that encoded the image) and cHRM (white, red, green, blue as
    /// x, y), PNG third edition sections 11.3.2.1 and 11.3.2.2.
    pub(super) fn png(gamma: f64, xy: Option<[[f64; 2]; 4]>) -> Self {
        const SRGB_XY: [[f64; 2]; 4] = [[0.3127, 0.329], [0.64, 0.33], [0.30, 0.60], [0.15, 0.06]];
        let like_srgb = xy.is_none_or(|xy| {
            xy.as_flattened()
                .iter()
                .zip(SRGB_XY.as_flattened())
                .all(|(a, b)| (a - b).abs() < 0.002)
        });
        // Writers state sRGB's curve as 1/2.2.
        if (gamma - 1.0 / 2.2).abs() < 0.002 && like_srgb {
            return Self::Srgb("sRGB (PNG gAMA)");
        }
        let sound = |v: &f64| v.is_finite() && (0.0..=1.0).contains(v);
        let xy = xy.unwrap_or(SRGB_XY);
        if !(0.05..=20.0).contains(&gamma)
            || !xy.as_flattened().iter().all(sound)
            || xy.iter().any(|p| p[1] < 1e-3)
        {
            return Self::Broken("gAMA or cHRM out of range".to_owned());
        }
        let [white, red, green, blue] =
            xy.map(|[x, y]| moxcms::Chromaticity::new(x as f32, y as f32));
        let mut profile = ColorProfile::new_srgb();
        if !like_srgb {
            profile.update_rgb_colorimetry(
                white.to_xyyb(),
                moxcms::ColorPrimaries { red, green, blue },
            );
        }
        let curve = ToneReprCurve::Parametric(vec![(1.0 / gamma) as f32]);
        profile.red_trc = Some(curve.clone());
        profile.green_trc = Some(curve.clone());
        profile.gray_trc = Some(curve.clone());
        profile.blue_trc = Some(curve);
        let name = format!(
            "PNG gAMA {gamma:.5}{}",
            if like_srgb { "" } else { " and cHRM" }
        );
        Self::Profile(Box::new(profile), name)
    }
}

/// The name in a profile.
pub(super) fn description(profile: &ColorProfile) -> String {
    let text = match &profile.description {
        Some(ProfileText::PlainString(s)) => s.as_str(),
        Some(ProfileText::Localizable(all)) => all.first().map_or("", |s| s.value.as_str()),
        Some(ProfileText::Description(d)) if d.ascii_string.is_empty() => &d.unicode_string,
        Some(ProfileText::Description(d)) => &d.ascii_string,
        None => "",
    };
    let clean: String = text
        .chars()
        .filter(|c| !c.is_control())
        .take(80)
        .collect::<String>()
        .trim()
        .to_owned();
    if clean.is_empty() {
        "unnamed profile".to_owned()
    } else {
        clean
    }
}

/// Chooses the model for samples of `levels` values, and says in words where the colour is from.
pub(super) fn model(inks: Inks, levels: usize, sense: Sense, tagged: Tagged) -> (Model, String) {
    match tagged {
        Tagged::No => (plain(inks, levels, sense), assumed(inks, "untagged")),
        Tagged::NoFloat => {
            let table = curve::quantise(&curve::tabulate(levels, sense, |v| v));
            (
                Model::Table(table),
                "linear sRGB (untagged float)".to_owned(),
            )
        }
        Tagged::Srgb(words) => (plain(inks, levels, sense), words.to_owned()),
        Tagged::Broken(why) => (
            plain(inks, levels, sense),
            assumed(inks, &format!("embedded profile unreadable: {why}")),
        ),
        Tagged::Profile(profile, name) => match from_profile(inks, levels, sense, &profile) {
            Ok(Fit::Srgb) => (plain(inks, levels, sense), name),
            Ok(Fit::Model(model)) => (model, name),
            Err(why) => (
                plain(inks, levels, sense),
                assumed(inks, &format!("embedded profile '{name}' not used: {why}")),
            ),
        },
    }
}

fn assumed(inks: Inks, why: &str) -> String {
    match inks {
        Inks::Cmyk => format!("CMYK by the rule R = (1-C)(1-K) in sRGB ({why})"),
        _ => format!("sRGB ({why})"),
    }
}

fn plain(inks: Inks, levels: usize, sense: Sense) -> Model {
    match inks {
        Inks::Cmyk => Model::Cmyk {
            levels,
            sense,
            table: curve::srgb_table(65536, Sense::Direct),
        },
        _ => Model::Table(curve::srgb_table(levels, sense)),
    }
}

enum Fit {
    Srgb,
    Model(Model),
}

fn from_profile(
    inks: Inks,
    levels: usize,
    sense: Sense,
    profile: &ColorProfile,
) -> Result<Fit, String> {
    let space = profile.color_space;
    // A PNG's gAMA holds for grey as well and carries both curves.
    let grey = profile.gray_trc.as_ref().filter(|_| inks == Inks::Grey);
    if let Some(trc) = grey {
        return Ok(if is_srgb_curve(trc) {
            Fit::Srgb
        } else {
            let table = curve::tabulate(levels, sense, |v| curve::profile(trc, v));
            Fit::Model(Model::Table(curve::quantise(&table)))
        });
    }
    match (inks, space) {
        (Inks::Rgb, DataColorSpace::Rgb) => {}
        (Inks::Cmyk, DataColorSpace::Cmyk) => return device(4, levels, sense, profile),
        (Inks::Grey, DataColorSpace::Gray) => return Err("it has no grey curve".to_owned()),
        _ => {
            return Err(format!("it is for {space:?} and the image is {inks:?}"));
        }
    }
    let has_table = profile.lut_a_to_b_colorimetric.is_some()
        || profile.lut_a_to_b_perceptual.is_some()
        || profile.lut_a_to_b_saturation.is_some();
    if has_table {
        return device(3, levels, sense, profile);
    }
    let (Some(r), Some(g), Some(b)) = (&profile.red_trc, &profile.green_trc, &profile.blue_trc)
    else {
        return Err("it has neither table nor curves".to_owned());
    };
    let srgb = ColorProfile::new_srgb();
    let theirs = profile.colorant_matrix();
    let ours = srgb.colorant_matrix();
    let same_primaries = theirs
        .v
        .as_flattened()
        .iter()
        .zip(ours.v.as_flattened())
        .all(|(a, b)| (a - b).abs() < 0.002);
    if same_primaries && [r, g, b].into_iter().all(is_srgb_curve) {
        return Ok(Fit::Srgb);
    }
    let m = profile.transform_matrix(&srgb).v;
    if !m.as_flattened().iter().all(|v| v.is_finite()) || !profile.is_matrix_shaper() {
        return Err("its primaries are not usable".to_owned());
    }
    let curves = [r, g, b].map(|trc| {
        curve::tabulate(levels, sense, |v| curve::profile(trc, v))
            .into_iter()
            .map(|v| v as f32)
            .collect()
    });
    Ok(Fit::Model(Model::Matrix(Box::new(Matrix {
        curves,
        m: m.map(|row| row.map(|v| v as f32)),
    }))))
}

/// Within what 8 bits can show.
fn is_srgb_curve(trc: &ToneReprCurve) -> bool {
    (0..=255).all(|i| {
        let v = f64::from(i) / 255.0;
        (curve::profile(trc, v) - curve::srgb(v)).abs() < 0.0015
    })
}

fn device(
    channels: usize,
    levels: usize,
    sense: Sense,
    profile: &ColorProfile,
) -> Result<Fit, String> {
    // Sampled by `moxcms` on a grid and interpolated: better in sRGB's curve than in linear light.
    let target = ColorProfile::new_srgb();
    let intent = if profile.lut_a_to_b_colorimetric.is_some() {
        RenderingIntent::RelativeColorimetric
    } else if profile.lut_a_to_b_perceptual.is_some() {
        RenderingIntent::Perceptual
    } else {
        RenderingIntent::Saturation
    };
    let options = TransformOptions {
        rendering_intent: intent,
        prefer_fixed_point: false,
        ..TransformOptions::default()
    };
    let layout = if channels == 4 {
        Layout::Rgba
    } else {
        Layout::Rgb
    };
    let transform = profile
        .create_transform_f32(layout, &target, Layout::Rgb, options)
        .map_err(|e| e.to_string())?;
    Ok(Fit::Model(Model::Device(Box::new(Device::new(
        transform, channels, levels, sense,
    )))))
}

/// A palette's colours in linear light.
pub(super) fn palette(entries: &[[u16; 3]], tagged: Tagged) -> (Model, String) {
    let (mut model, words) = model(Inks::Rgb, 65536, Sense::Direct, tagged);
    let mut linear = vec![0; entries.len() * 3];
    // A palette that a profile cannot convert stays as the sRGB rule makes it.
    if model.apply(entries.as_flattened(), &mut linear).is_err() {
        let table = curve::srgb_table(65536, Sense::Direct);
        for (to, &from) in linear.iter_mut().zip(entries.as_flattened()) {
            *to = table[usize::from(from)];
        }
    }
    let colours: Arc<[[u16; 3]]> = linear.as_chunks::<3>().0.into();
    (Model::Palette(colours), words)
}
