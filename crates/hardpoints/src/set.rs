//! The hardpoint set: what leaves for design, `*.hardpoints.json`.

use crate::construction::{Construction, Inputs};
use crate::datum::{Constructed, Datum, DatumKind, Gap, direction_u95, place_feature, position_u95};
use crate::role::{Role, Side, Suspension};
use nalgebra::DMatrix;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use serde_json::{Map, Value};
use std::borrow::Cow;
use std::collections::BTreeSet;
use stringline_core::{Explain, Point3, RigidTransform, UnitVec3, Vec3};
use stringline_fit::{Extent, Feature, Kind, Shape};

/// The version this program writes, and the only one it reads.
pub const VERSION: u32 = 1;

/// What `format` says in a hardpoint set.
pub const FORMAT: &str = "stringline-hardpoints";

/// How far from 1 the length of a written direction may be.
const UNIT_LENGTH: f64 = 1e-6;

/// How far a written covariance may be from symmetric or below zero, relative to its scale:
/// generous to files whose numbers were shortened.
const COVARIANCE_SLACK: f64 = 1e-6;

/// What kind of file this is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub enum Format {
    /// A hardpoint set.
    #[serde(rename = "stringline-hardpoints")]
    Hardpoints,
}

/// The axes positions and directions are given in.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub enum CoordinateAxes {
    /// Vehicle axes of ISO 8855: x forward, y left, z up, the origin on the ground plane under
    /// the front axle centre, on the symmetry plane.
    #[serde(rename = "ISO 8855")]
    Iso8855,
    /// The scan's own axes: the part is not placed in the car.
    #[serde(rename = "scan")]
    Scan,
}

impl CoordinateAxes {
    /// The axes in words.
    pub fn words(self) -> &'static str {
        match self {
            CoordinateAxes::Iso8855 => {
                "ISO 8855 vehicle axes: x forward, y left, z up, origin on the ground plane under the front axle centre"
            }
            CoordinateAxes::Scan => "the scan's own axes, not placed in the car",
        }
    }
}

/// The units of every number that does not say otherwise in its name.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Units {
    /// Of lengths.
    pub length: LengthWord,
    /// Of angles; fields ending in `_deg` are in degrees.
    pub angle: AngleWord,
}

/// Lengths are in millimetres.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub enum LengthWord {
    /// Millimetres.
    #[serde(rename = "mm")]
    Millimetre,
}

/// Angles are in radians.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub enum AngleWord {
    /// Radians.
    #[serde(rename = "rad")]
    Radian,
}

/// What is known of the vehicle.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Vehicle {
    /// What the car is called.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    /// Distance between the axles, mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub wheelbase: Option<f64>,
    /// Distance between the wheel centre planes of the axle at the ground, mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub track: Option<f64>,
    /// Loaded radius of the tyre, mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tyre_radius: Option<f64>,
    /// The tyre's marking, as `205/50R16`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tyre: Option<String>,
    /// Nominal rim diameter, mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rim_diameter: Option<f64>,
    /// Rim width between the bead seats, mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rim_width: Option<f64>,
    /// Rim offset: from the rim's middle plane to the hub face, positive when the face lies outboard, mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rim_offset: Option<f64>,
    /// Where the steering rack's stops let it go from its centre, mm, to the left positive: lowest and highest.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rack_stroke: Option<[f64; 2]>,
    /// Travel of the rack for one turn of the steering wheel, mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rack_per_turn: Option<f64>,
    /// Height of the car's centre of mass above the ground, mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mass_height: Option<f64>,
    /// The front axle's share of the braking force, 0 to 1.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub front_brake_share: Option<f64>,
    /// Fields of newer versions, kept.
    #[serde(flatten)]
    pub extra: Map<String, Value>,
}

/// Expanded uncertainties at 95 % coverage.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Expanded {
    /// Of the position, mm: the largest half-axis of the joint region; for an axis across it,
    /// for a face along its normal.
    pub position: f64,
    /// Of the direction, degrees: the largest half-axis of the joint region.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub direction_deg: Option<f64>,
}

/// A kinematic point, axis or face with its role.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Hardpoint {
    /// What it does.
    pub role: Role,
    /// On which side of the car.
    pub side: Side,
    /// Point, axis or face.
    pub kind: DatumKind,
    /// mm.
    pub position: [f64; 3],
    /// Unit direction of an axis or normal of a face.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub direction: Option<[f64; 3]>,
    /// Covariance of the position (3×3, mm²) or of position and direction together (6×6, mm and
    /// rad), rows first. Absent where the uncertainty is not known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub covariance: Option<Vec<Vec<f64>>>,
    /// Effective degrees of freedom of the covariance; absent where it is exact or not known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub degrees_of_freedom: Option<f64>,
    /// Expanded uncertainty, from the covariance and the degrees of freedom.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub u95: Option<Expanded>,
    /// The largest form error among the features it rests on, mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub form_error: Option<f64>,
    /// Where two axes were brought together, how far apart they pass.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub gap: Option<Gap>,
    /// How it was made, in words.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub construction: Option<String>,
    /// Names of the datums it rests on.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub sources: Vec<String>,
    /// What to look at before trusting it, in words.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub notes: Vec<String>,
    /// Fields of newer versions, kept.
    #[serde(flatten)]
    pub extra: Map<String, Value>,
}

impl Hardpoint {
    /// A hardpoint known by its coordinates alone, without uncertainty.
    pub fn from_datum(role: Role, side: Side, datum: &Datum) -> Hardpoint {
        Hardpoint {
            role,
            side,
            kind: datum.kind(),
            position: datum.position().coords.into(),
            direction: datum.direction().map(|d| d.into_inner().into()),
            covariance: None,
            degrees_of_freedom: None,
            u95: None,
            form_error: None,
            gap: None,
            construction: None,
            sources: Vec::new(),
            notes: Vec::new(),
            extra: Map::new(),
        }
    }

    /// The same point with each coordinate known within ± `half_width`, mm, and all values there equally likely
    /// (JCGM 100, 4.3.7).
    pub fn known_within(self, half_width: f64) -> Hardpoint {
        let covariance = DMatrix::from_diagonal_element(3, 3, half_width * half_width / 3.0);
        let point = Datum::Point { position: self.position.into() };
        let position = position_u95(&point, &covariance, f64::INFINITY);
        Hardpoint {
            covariance: Some(covariance.row_iter().map(|row| row.iter().copied().collect()).collect()),
            u95: Some(Expanded { position, direction_deg: None }),
            ..self
        }
    }

    /// Role and side, as errors, drawings and CAD trees name it: `lower_ball_joint left`.
    pub fn label(&self) -> String {
        format!("{} {}", self.role, self.side)
    }

    /// The point, axis or face.
    ///
    /// # Errors
    /// [`SetError`] if the numbers do not make one.
    pub fn datum(&self) -> Result<Datum, SetError> {
        let label = || format!("hardpoint {}", self.label());
        if self.kind != self.role.kind() {
            return Err(SetError::KindOfRole { what: label(), found: self.kind, wanted: self.role.kind() });
        }
        let position = finite_point(&self.position, label)?;
        let direction = self.direction.map(|d| unit_direction(&d, label)).transpose()?;
        match (self.kind, direction) {
            (DatumKind::Point, None) => Ok(Datum::Point { position }),
            (DatumKind::Axis, Some(direction)) => Ok(Datum::Axis { position, direction }),
            (DatumKind::Face, Some(normal)) => Ok(Datum::Face { position, normal }),
            (DatumKind::Point, Some(_)) => Err(invalid(label, "a point has no direction")),
            (_, None) => Err(invalid(label, "its direction is missing")),
        }
    }

    /// The covariance as a matrix, 3×3 or 6×6, or `None` where it is not known.
    ///
    /// # Errors
    /// [`SetError`] if the numbers do not make a covariance.
    pub fn covariance_matrix(&self) -> Result<Option<DMatrix<f64>>, SetError> {
        let Some(rows) = &self.covariance else {
            return Ok(None);
        };
        let label = || format!("hardpoint {}", self.label());
        let n = if self.kind == DatumKind::Point { 3 } else { 6 };
        if rows.len() != n || rows.iter().any(|r| r.len() != n) {
            return Err(invalid(label, "its covariance must be 3×3 for a point, 6×6 otherwise"));
        }
        let c = DMatrix::from_fn(n, n, |i, j| rows[i][j]);
        if !c.iter().all(|v| v.is_finite()) {
            return Err(invalid(label, "its covariance holds a number that is not finite"));
        }
        // mm² and rad² differ by orders of magnitude, so each block is judged on its own scale.
        let scale: Vec<f64> = (0..n / 3)
            .map(|b| {
                let largest = (3 * b..3 * b + 3).map(|i| c[(i, i)]).fold(0.0, f64::max);
                if largest > 0.0 { largest.sqrt() } else { 1.0 }
            })
            .collect();
        let scaled = DMatrix::from_fn(n, n, |i, j| c[(i, j)] / (scale[i / 3] * scale[j / 3]));
        if (&scaled - scaled.transpose()).amax() > COVARIANCE_SLACK {
            return Err(invalid(label, "its covariance is not symmetric"));
        }
        let lowest = ((&scaled + scaled.transpose()) * 0.5).symmetric_eigenvalues().min();
        if lowest < -COVARIANCE_SLACK {
            return Err(invalid(label, "its covariance has a negative variance"));
        }
        Ok(Some((&c + c.transpose()) * 0.5))
    }
}

/// A fitted feature behind the hardpoints, in the set's frame.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct DatumRecord {
    /// What it is called.
    pub name: String,
    /// Its kind.
    pub kind: Kind,
    /// On the plane or the axis, or the centre, mm.
    pub point: [f64; 3],
    /// Unit direction of the axis or the normal; a sphere has none. A cone's points from its apex
    /// to its wide end.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub direction: Option<[f64; 3]>,
    /// mm (for a cone, in the cross-section through `point`); a plane has none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub radius: Option<f64>,
    /// Half the included angle of a cone, rad.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub half_angle: Option<f64>,
    /// How far the measured points reach.
    pub extent: Extent,
    /// Where the material is.
    pub material: stringline_fit::Side,
    /// Root mean square distance of the used points, mm.
    pub rms: f64,
    /// Largest less smallest distance of the used points, mm.
    pub form_error: f64,
    /// Points that decided the shape.
    pub used: u64,
    /// Points left out.
    pub rejected: u64,
    /// Whether the fit met its tolerance.
    pub converged: bool,
    /// The scan it was fitted to, by its file name in `scans`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub scan: Option<String>,
    /// Fields of newer versions, kept.
    #[serde(flatten)]
    pub extra: Map<String, Value>,
}

impl DatumRecord {
    /// The record of a feature that is already in the set's frame.
    pub fn from_feature(name: &str, feature: &Feature, scan: Option<&str>) -> DatumRecord {
        let shape = &feature.shape;
        DatumRecord {
            name: name.into(),
            kind: shape.kind(),
            point: shape.point().coords.into(),
            direction: shape.direction().map(|d| d.into_inner().into()),
            radius: shape.radius(),
            half_angle: shape.half_angle(),
            extent: feature.extent,
            material: feature.side,
            rms: feature.rms,
            form_error: feature.form_error,
            used: feature.used as u64,
            rejected: feature.rejected as u64,
            converged: feature.converged,
            scan: scan.map(str::to_owned),
            extra: Map::new(),
        }
    }

    /// The record of a feature of a scan that is placed by `car_from_scan`.
    pub fn placed(name: &str, feature: &Feature, scan: Option<&str>, car_from_scan: &RigidTransform) -> DatumRecord {
        DatumRecord::from_feature(name, &place_feature(feature, car_from_scan), scan)
    }

    /// The ideal shape.
    ///
    /// # Errors
    /// [`SetError`] if the numbers do not make one.
    pub fn shape(&self) -> Result<Shape, SetError> {
        let label = || format!("datum '{}'", self.name);
        let point = finite_point(&self.point, label)?;
        let direction = || match &self.direction {
            Some(d) => unit_direction(d, label),
            None => Err(invalid(label, "its direction is missing")),
        };
        let radius = || match self.radius {
            Some(r) if r.is_finite() && r > 0.0 => Ok(r),
            _ => Err(invalid(label, "its radius must be a finite number over zero")),
        };
        Ok(match self.kind {
            Kind::Plane => Shape::Plane { point, normal: direction()? },
            Kind::Cylinder => Shape::Cylinder { point, direction: direction()?, radius: radius()? },
            Kind::Cone => Shape::Cone {
                point,
                direction: direction()?,
                radius: radius()?,
                half_angle: match self.half_angle {
                    Some(a) if a > 0.0 && a < std::f64::consts::FRAC_PI_2 => a,
                    _ => return Err(invalid(label, "its half angle must lie between 0 and π/2")),
                },
            },
            Kind::Sphere => Shape::Sphere { centre: point, radius: radius()? },
            Kind::Circle => Shape::Circle { centre: point, normal: direction()?, radius: radius()? },
        })
    }
}

/// A scan the datums were fitted to.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ScanFile {
    /// File name, relative to the job.
    pub file: String,
    /// SHA-256 of its bytes, 64 hexadecimal digits.
    #[schemars(regex(pattern = r"^[0-9a-f]{64}$"))]
    pub sha256: String,
    /// Fields of newer versions, kept.
    #[serde(flatten)]
    pub extra: Map<String, Value>,
}

/// Hardpoints of a corner or an axle, with everything needed to trust them.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[schemars(title = "Stringline hardpoint set")]
pub struct HardpointSet {
    /// `stringline-hardpoints`.
    pub format: Format,
    /// The major version of the format.
    #[schemars(range(min = 1, max = 1))]
    pub version: u32,
    /// What the set is called.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    /// The units of every number that does not say otherwise in its name.
    pub units: Units,
    /// The axes of every position and direction.
    pub axes: CoordinateAxes,
    /// The kind of suspension.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub suspension: Option<Suspension>,
    /// What is known of the vehicle.
    #[serde(default)]
    pub vehicle: Vehicle,
    /// Points, axes and faces by role and side; each pair once.
    pub hardpoints: Vec<Hardpoint>,
    /// The features they rest on.
    #[serde(default)]
    pub datums: Vec<DatumRecord>,
    /// The scans the features were fitted to.
    #[serde(default)]
    pub scans: Vec<ScanFile>,
    /// Fields of newer versions, kept.
    #[serde(flatten)]
    pub extra: Map<String, Value>,
}

impl HardpointSet {
    /// A set with nothing in it yet.
    pub fn new(axes: CoordinateAxes) -> HardpointSet {
        HardpointSet {
            format: Format::Hardpoints,
            version: VERSION,
            name: None,
            units: Units { length: LengthWord::Millimetre, angle: AngleWord::Radian },
            axes,
            suspension: None,
            vehicle: Vehicle::default(),
            hardpoints: Vec::new(),
            datums: Vec::new(),
            scans: Vec::new(),
            extra: Map::new(),
        }
    }

    /// Adds a constructed datum under its role. In vehicle axes its direction is turned to
    /// [`Role::sense`]. `inputs` are those it was made from: their form error is carried along.
    ///
    /// # Errors
    /// [`SetError::KindOfRole`] if the role is played by another kind of datum,
    /// [`SetError::Duplicate`] if role and side are taken.
    pub fn add(
        &mut self,
        role: Role,
        side: Side,
        made: &Constructed,
        how: &Construction,
        inputs: &Inputs,
    ) -> Result<(), SetError> {
        let sense = match self.axes {
            CoordinateAxes::Iso8855 => role.sense(side),
            CoordinateAxes::Scan => None,
        };
        let made = match sense {
            Some(sense) => made.clone().pointing(&sense),
            None => made.clone(),
        };
        let mut hardpoint = Hardpoint::from_datum(role, side, &made.datum);
        let c = &made.covariance;
        hardpoint.covariance = Some(c.row_iter().map(|row| row.iter().copied().collect()).collect());
        let nu = made.degrees_of_freedom;
        hardpoint.degrees_of_freedom = nu.is_finite().then_some(nu);
        hardpoint.u95 = Some(Expanded {
            position: position_u95(&made.datum, c, nu),
            direction_deg: direction_u95(&made.datum, c, nu).map(f64::to_degrees),
        });
        let features = || made.sources.keys().filter(|n| inputs.feature(n).is_some());
        hardpoint.sources = features().cloned().collect();
        hardpoint.form_error = features().filter_map(|n| inputs.feature(n)).map(|f| f.form_error).reduce(f64::max);
        hardpoint.gap = made.gap;
        hardpoint.construction = Some(how.words());
        hardpoint.notes = made.notes.iter().map(ToString::to_string).collect();
        self.add_hardpoint(hardpoint)
    }

    /// Adds a hardpoint that is already complete, and keeps the list in order of side and role.
    ///
    /// # Errors
    /// As [`HardpointSet::add`], and [`SetError::Invalid`] for numbers that make no datum.
    pub fn add_hardpoint(&mut self, hardpoint: Hardpoint) -> Result<(), SetError> {
        hardpoint.datum()?;
        hardpoint.covariance_matrix()?;
        if self.find(hardpoint.role, hardpoint.side).is_some() {
            return Err(SetError::Duplicate { what: format!("hardpoint {}", hardpoint.label()) });
        }
        self.hardpoints.push(hardpoint);
        self.hardpoints.sort_by_key(|h| (h.side, h.role));
        Ok(())
    }

    /// The hardpoint of that role and side.
    pub fn find(&self, role: Role, side: Side) -> Option<&Hardpoint> {
        self.hardpoints.iter().find(|h| h.role == role && h.side == side)
    }

    /// What a complete corner on `side` still needs: of each group, at least one role. Roles on
    /// the centre count for both sides.
    pub fn missing(&self, suspension: Suspension, side: Side) -> Vec<&'static [Role]> {
        let present: Vec<Role> =
            self.hardpoints.iter().filter(|h| h.side == side || h.side == Side::Centre).map(|h| h.role).collect();
        suspension.missing(&present)
    }

    /// Checks everything a reader relies on: finite numbers, unit directions, covariances that
    /// are symmetric and not negative, kinds that fit the roles, names that are given once and exist.
    ///
    /// # Errors
    /// The first thing found wrong, with where it is.
    pub fn check(&self) -> Result<(), SetError> {
        if self.version != VERSION {
            return Err(SetError::Version { found: self.version.to_string() });
        }
        let v = &self.vehicle;
        for (what, value) in [
            ("wheelbase", v.wheelbase),
            ("track", v.track),
            ("tyre_radius", v.tyre_radius),
            ("rim_diameter", v.rim_diameter),
            ("rim_width", v.rim_width),
            ("rack_per_turn", v.rack_per_turn),
            ("mass_height", v.mass_height),
        ] {
            if value.is_some_and(|x| !(x.is_finite() && x > 0.0)) {
                return Err(invalid(|| format!("vehicle's {what}"), "it must be a finite number over zero"));
            }
        }
        if v.rim_offset.is_some_and(|x| !x.is_finite()) {
            return Err(invalid(|| "vehicle's rim_offset".into(), "it is not finite"));
        }
        if v.rack_stroke.is_some_and(|[low, high]| !(low.is_finite() && high.is_finite() && low <= 0.0 && high >= 0.0))
        {
            return Err(invalid(|| "vehicle's rack_stroke".into(), "it must be two numbers on either side of zero"));
        }
        if v.front_brake_share.is_some_and(|x| !(0.0..=1.0).contains(&x)) {
            return Err(invalid(|| "vehicle's front_brake_share".into(), "it must lie between 0 and 1"));
        }
        let mut scans = BTreeSet::new();
        for scan in &self.scans {
            let label = || format!("scan '{}'", scan.file);
            let hex = |b: u8| b.is_ascii_digit() || (b'a'..=b'f').contains(&b);
            if scan.sha256.len() != 64 || !scan.sha256.bytes().all(hex) {
                return Err(invalid(label, "its sha256 must be 64 digits 0-9 a-f"));
            }
            if !scans.insert(scan.file.as_str()) {
                return Err(SetError::Duplicate { what: label() });
            }
        }
        let mut datums = BTreeSet::new();
        for datum in &self.datums {
            let label = || format!("datum '{}'", datum.name);
            datum.shape()?;
            let e = &datum.extent;
            let numbers = [e.along[0], e.along[1], e.across, e.arc, datum.rms, datum.form_error];
            if !numbers.iter().all(|x| x.is_finite()) {
                return Err(invalid(label, "it holds a number that is not finite"));
            }
            if let Some(scan) = &datum.scan
                && !scans.contains(scan.as_str())
            {
                return Err(SetError::NoSuch { what: label(), kind: "scan", name: scan.clone() });
            }
            if !datums.insert(datum.name.as_str()) {
                return Err(SetError::Duplicate { what: label() });
            }
        }
        let mut roles = BTreeSet::new();
        for hardpoint in &self.hardpoints {
            let label = || format!("hardpoint {}", hardpoint.label());
            hardpoint.datum()?;
            hardpoint.covariance_matrix()?;
            if hardpoint.degrees_of_freedom.is_some_and(|nu| !(nu.is_finite() && nu > 0.0)) {
                return Err(invalid(label, "its degrees of freedom must be over zero"));
            }
            let optional = [
                hardpoint.form_error,
                hardpoint.u95.map(|u| u.position),
                hardpoint.u95.and_then(|u| u.direction_deg),
                hardpoint.gap.map(|g| g.distance),
                hardpoint.gap.map(|g| g.standard_uncertainty),
            ];
            if optional.iter().flatten().any(|x| !x.is_finite()) {
                return Err(invalid(label, "it holds a number that is not finite"));
            }
            if let Some(name) = hardpoint.sources.iter().find(|s| !datums.contains(s.as_str())) {
                return Err(SetError::NoSuch { what: label(), kind: "datum", name: name.clone() });
            }
            if !roles.insert((hardpoint.role, hardpoint.side)) {
                return Err(SetError::Duplicate { what: label() });
            }
        }
        Ok(())
    }

    /// Reads a set and checks it.
    ///
    /// # Errors
    /// [`SetError`]: not JSON or not a hardpoint set, a version this program does not know, or
    /// what [`HardpointSet::check`] finds.
    pub fn from_json(text: &str) -> Result<HardpointSet, SetError> {
        #[derive(Deserialize)]
        struct Head {
            format: Option<Value>,
            version: Option<Value>,
        }
        // The head first, so that a newer version is named as such and not as a damaged file.
        let head: Head = serde_json::from_str(text).map_err(SetError::json)?;
        match head.format {
            Some(Value::String(format)) if format == FORMAT => {}
            found => {
                return Err(SetError::Format { found: found.map_or_else(|| "nothing".into(), |v| v.to_string()) });
            }
        }
        match head.version {
            Some(version) if version == VERSION => {}
            found => {
                return Err(SetError::Version { found: found.map_or_else(|| "missing".into(), |v| v.to_string()) });
            }
        }
        let set: HardpointSet = serde_json::from_str(text).map_err(SetError::json)?;
        set.check()?;
        Ok(set)
    }

    /// Checks the set and writes it, with a line end at the end.
    ///
    /// # Errors
    /// What [`HardpointSet::check`] finds.
    pub fn to_json(&self) -> Result<String, SetError> {
        self.check()?;
        let mut text = serde_json::to_string_pretty(self).map_err(SetError::json)?;
        text.push('\n');
        Ok(text)
    }
}

/// The JSON Schema (2020-12) of a hardpoint set, pretty, with a line end at the end.
pub fn hardpoints_schema() -> String {
    let schema = schemars::schema_for!(HardpointSet);
    let mut text = format!("{:#}", schema.as_value());
    text.push('\n');
    text
}

fn finite_point(p: &[f64; 3], label: impl Fn() -> String) -> Result<Point3, SetError> {
    if p.iter().all(|x| x.is_finite()) {
        Ok(Point3::from(*p))
    } else {
        Err(invalid(label, "its position is not finite"))
    }
}

fn unit_direction(d: &[f64; 3], label: impl Fn() -> String) -> Result<UnitVec3, SetError> {
    let v = Vec3::from(*d);
    // False for NaN too.
    if (v.norm() - 1.0).abs() <= UNIT_LENGTH {
        Ok(UnitVec3::new_normalize(v))
    } else {
        Err(invalid(label, "its direction must have length 1"))
    }
}

fn invalid(label: impl Fn() -> String, problem: &'static str) -> SetError {
    SetError::Invalid { what: label(), problem }
}

/// Why a hardpoint set could not be read, built or written.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum SetError {
    /// Not JSON, or a field is missing or of the wrong type.
    #[error("line {line}, column {column}: {problem}")]
    Json {
        /// From 1; for a field inside an object, the end of that object.
        line: usize,
        /// From 1.
        column: usize,
        /// What the reader said.
        problem: String,
    },
    /// Some other JSON file.
    #[error("this is no hardpoint set: its format is {found}, not \"{FORMAT}\"")]
    Format {
        /// What stands there.
        found: String,
    },
    /// Written by a newer version, or damaged.
    #[error("the hardpoint set's version is {found}; this program reads version {VERSION}")]
    Version {
        /// What stands there.
        found: String,
    },
    /// Numbers that cannot be.
    #[error("{what}: {problem}")]
    Invalid {
        /// Which entry.
        what: String,
        /// What is wrong with it.
        problem: &'static str,
    },
    /// A role is given a datum of another kind.
    #[error("{what} is a datum of kind {found}; this role is played by one of kind {wanted}")]
    KindOfRole {
        /// Which entry.
        what: String,
        /// What it is.
        found: DatumKind,
        /// What the role needs.
        wanted: DatumKind,
    },
    /// Given twice.
    #[error("{what} is there twice")]
    Duplicate {
        /// Which entry.
        what: String,
    },
    /// A name that stands for nothing.
    #[error("{what} names the {kind} '{name}', which is not in the set")]
    NoSuch {
        /// Which entry.
        what: String,
        /// Scan or datum.
        kind: &'static str,
        /// The name.
        name: String,
    },
}

impl SetError {
    fn json(error: serde_json::Error) -> SetError {
        let full = error.to_string();
        let place = format!(" at line {} column {}", error.line(), error.column());
        SetError::Json {
            line: error.line(),
            column: error.column(),
            problem: full.strip_suffix(&place).unwrap_or(&full).into(),
        }
    }
}

impl Explain for SetError {
    fn next_step(&self) -> Cow<'static, str> {
        match self {
            SetError::Json { .. } => {
                "Mend the file there, or export the hardpoint set again; `stringline schema hardpoints` prints what it must look like.".into()
            }
            SetError::Format { .. } => "Choose a file that ends in .hardpoints.json.".into(),
            SetError::Version { .. } => {
                "Open it with a newer Stringline, or export it again with this one.".into()
            }
            SetError::Invalid { .. } => "Correct that entry, or export the set again.".into(),
            SetError::KindOfRole { wanted, .. } => {
                format!("Construct one of kind {wanted} for this role, or give it another role.").into()
            }
            SetError::Duplicate { .. } => "Keep one of the two.".into(),
            SetError::NoSuch { .. } => "Add it to the set or correct the name.".into(),
        }
    }
}
