//! A fitted feature as numbers for a program and as words for a person.

use crate::table::{Align, Table, count, direction, position, rounded, with_uncertainty};
use serde::Serialize;
use std::fmt::Write;
use stringline_core::Vec3;
use stringline_fit::{Extent, Feature, Kind, Noise, Side, Spread, Taper, Verdict, Weighed, taper};

/// What `fit --json` prints of a feature; lengths mm, in the frame of the scan.
#[derive(Debug, Serialize)]
pub(crate) struct FeatureReport {
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) name: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) scan: Option<String>,
    pub(crate) kind: Kind,
    pub(crate) point: [f64; 3],
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) direction: Option<[f64; 3]>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) radius: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) half_angle_deg: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) apex: Option<[f64; 3]>,
    pub(crate) material: Side,
    pub(crate) rms: f64,
    pub(crate) form_error: f64,
    pub(crate) used: usize,
    pub(crate) rejected: usize,
    pub(crate) sigma: Spread,
    pub(crate) u95: Spread,
    /// Of the point, the direction, the radius and the half angle (rad), as far as the kind has them.
    pub(crate) covariance: Vec<Vec<f64>>,
    pub(crate) noise: Noise,
    pub(crate) extent: Extent,
    pub(crate) converged: bool,
    pub(crate) iterations: usize,
    /// Whether the evidence decided on the kind; absent where it was given.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) decided: Option<bool>,
    /// The shapes weighed, best first; absent where the kind was given.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) weighed: Option<Vec<Score>>,
    #[serde(skip)]
    taper: Option<Taper>,
}

/// A shape weighed, and its score: the lowest is the best.
#[derive(Debug, Serialize)]
pub(crate) struct Score {
    pub(crate) kind: Kind,
    pub(crate) score: f64,
}

impl FeatureReport {
    pub(crate) fn new(feature: &Feature, weighed: Option<&Weighed>) -> Self {
        let shape = &feature.shape;
        FeatureReport {
            name: None,
            scan: None,
            kind: shape.kind(),
            point: shape.point().coords.into(),
            direction: shape.direction().map(|d| d.into_inner().into()),
            radius: shape.radius(),
            half_angle_deg: shape.half_angle().map(f64::to_degrees),
            apex: shape.apex().map(|p| p.coords.into()),
            material: feature.side,
            rms: feature.rms,
            form_error: feature.form_error,
            used: feature.used,
            rejected: feature.rejected,
            sigma: feature.sigma(),
            u95: feature.u95(),
            covariance: feature.covariance.row_iter().map(|row| row.iter().copied().collect()).collect(),
            noise: feature.noise,
            extent: feature.extent,
            converged: feature.converged,
            iterations: feature.iterations,
            decided: weighed.map(|w| matches!(w.verdict, Verdict::Decided(_))),
            weighed: weighed.map(|w| {
                let scores = w.candidates.iter();
                scores.map(|c| Score { kind: c.feature.shape.kind(), score: c.score }).collect()
            }),
            taper: taper(feature),
        }
    }

    /// The kind with the side the material is on, in plain words.
    pub(crate) fn words(&self) -> &'static str {
        self.kind.words(self.material)
    }

    /// A block of lines for a person.
    pub(crate) fn text(&self) -> String {
        let mut text = String::new();
        let u = &self.u95;
        let mut line = |label: &str, value: String| {
            // Writing to a String cannot fail.
            let _ = writeln!(text, "  {label:<16}{value}");
        };
        let point = position(&self.point.into(), u.position);
        let at = match self.kind {
            Kind::Plane => "point on it",
            Kind::Cylinder | Kind::Cone => "point on axis",
            Kind::Sphere | Kind::Circle => "centre",
        };
        if let (Some(radius), Some(u_radius)) = (self.radius, u.radius) {
            let label = if self.kind == Kind::Cone { "Ø at that point" } else { "diameter" };
            if self.kind != Kind::Cone {
                line(label, format!("Ø {} mm", with_uncertainty(2.0 * radius, 2.0 * u_radius)));
            }
        }
        line(at, format!("{point} ± {} mm", stringline_core::covariance::two_significant(u.position)));
        if self.kind == Kind::Cone
            && let (Some(radius), Some(u_radius)) = (self.radius, u.radius)
        {
            line("Ø at that point", format!("Ø {} mm", with_uncertainty(2.0 * radius, 2.0 * u_radius)));
        }
        if let (Some(d), Some(u_direction)) = (self.direction, u.direction_deg) {
            let label = if matches!(self.kind, Kind::Plane | Kind::Circle) { "square to it" } else { "axis direction" };
            let tilt = stringline_core::covariance::two_significant(u_direction);
            line(label, format!("{} ± {tilt}°", direction(&Vec3::from(d))));
        }
        if let (Some(half_angle), Some(u_angle)) = (self.half_angle_deg, u.half_angle_deg) {
            line("included angle", format!("{}°", with_uncertainty(2.0 * half_angle, 2.0 * u_angle)));
        }
        if let Some(taper) = &self.taper {
            for (label, value) in taper_lines(taper) {
                line(label, value);
            }
        }
        let (form, rms) = (rounded(self.form_error, 0.01), rounded(self.rms, 0.01));
        line("form error", format!("{form} mm from peak to valley, {rms} mm rms"));
        line("points", format!("{} used, {} left out", count(self.used), count(self.rejected)));
        line("measured", self.measured());
        line("noise", noise_words(&self.noise));
        if !self.converged {
            line("beware", "the fit did not converge: paint more of it before trusting it".into());
        }
        if let Some(weighed) = &self.weighed {
            let mut table = Table::new(&[("shape weighed", Align::Left), ("score", Align::Right)]);
            for score in weighed {
                table.row([score.kind.to_string(), format!("{:.1}", score.score)]);
            }
            let _ = write!(text, "\n{table}");
            text.push_str("The lowest score is the best.\n");
        }
        text
    }

    /// How much of the shape holds points.
    fn measured(&self) -> String {
        let e = &self.extent;
        let long = e.along[1] - e.along[0];
        let arc = e.arc.to_degrees();
        match self.kind {
            Kind::Plane => format!("{:.1} mm to either side of the point", e.across),
            Kind::Sphere => format!("{:.1} mm about the centre", e.across),
            Kind::Circle => format!("{arc:.0}° round it"),
            Kind::Cylinder | Kind::Cone => format!("{long:.1} mm along the axis, {arc:.0}° round it"),
        }
    }
}

fn noise_words(noise: &Noise) -> String {
    let sigma = format!("σ {} mm", rounded(noise.sigma, 0.01));
    if noise.correlated_share > 0.0 {
        format!(
            "{sigma}; neighbours share {:.0} % of its variance over {:.1} mm",
            100.0 * noise.correlated_share,
            noise.correlation_length
        )
    } else {
        sigma
    }
}

/// The size that a person looks for first, with its ±.
pub(crate) fn size(feature: &Feature) -> String {
    let u = feature.u95();
    let shape = &feature.shape;
    match (shape.half_angle(), u.half_angle_deg, shape.radius(), u.radius) {
        (Some(half), Some(u_half), ..) => {
            format!("{}°", with_uncertainty(2.0 * half.to_degrees(), 2.0 * u_half))
        }
        (_, _, Some(radius), Some(u_radius)) => format!("Ø {}", with_uncertainty(2.0 * radius, 2.0 * u_radius)),
        _ => String::new(),
    }
}

/// A taper as the trade writes it, and the nearest standard one.
fn taper_lines(taper: &Taper) -> Vec<(&'static str, String)> {
    let mut lines = vec![(
        "taper",
        format!(
            "{} change of diameter per length: 1 in {:.2}",
            with_uncertainty(taper.per_length, taper.per_length_u95),
            1.0 / taper.per_length
        ),
    )];
    if let Some(nearest) = taper.nearest.first() {
        let difference = with_uncertainty(nearest.difference.to_degrees(), taper.included_angle_u95.to_degrees());
        let verdict =
            if nearest.significant { "another taper, or a worn seat" } else { "the same, as far as this tells" };
        lines.push(("nearest taper", format!("{}, which differs by {difference}°: {verdict}", nearest.standard.name)));
    }
    lines
}
