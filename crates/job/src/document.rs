//! The job document: what a person did, and every setting that changes a number.
//!
//! Nothing that can be computed is stored: scans are named by path and hash, patches by
//! their dabs, features by how they are to be fitted. Evaluating a job computes the rest.

use crate::bodies::{BodySpec, ClearanceSpec};
use crate::mates::MateSpec;
use crate::name::Name;
use schemars::JsonSchema;
use serde::{Deserialize, Deserializer, Serialize};
use std::borrow::Cow;
use std::collections::BTreeMap;
use std::sync::Arc;
use stringline_core::units::LengthUnit;
use stringline_core::{Explain, RigidTransform};
use stringline_fit::{Kind, Relation};
use stringline_hardpoints::{Construction, Role, Side, Suspension, Vehicle};
use stringline_kinematics::Variant;
use stringline_scan::Dab;

/// The format's name, in the field `format`.
pub const FORMAT: &str = "stringline-job";
/// The version this program writes, and the newest that it reads.
pub const VERSION: u32 = 1;

/// What a newer program wrote and this one does not know: kept, and written back.
pub type Extra = serde_json::Map<String, serde_json::Value>;

/// A job: the record of how scans become a hardpoint set.
///
/// Cloning is cheap: the parts are shared. Change one only through an [`Op`](crate::Op).
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[schemars(title = "Stringline job", description = "A job: the record of how scans become a hardpoint set.")]
pub struct Job {
    #[serde(deserialize_with = "expect_format")]
    #[schemars(extend("const" = FORMAT))]
    format: Cow<'static, str>,
    #[serde(deserialize_with = "expect_version")]
    #[schemars(extend("const" = VERSION))]
    version: u32,
    /// What the job is called, free text.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub title: String,
    /// The car.
    #[serde(default)]
    pub vehicle: Arc<Vehicle>,
    /// The kind of suspension.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub suspension: Option<Suspension>,
    /// The scan files by name.
    #[serde(default, deserialize_with = "no_name_twice")]
    pub scans: BTreeMap<Name, Arc<ScanFile>>,
    /// How each scan sits in the car where that is typed in, by the scan's name.
    #[serde(default, deserialize_with = "no_name_twice")]
    pub placements: BTreeMap<Name, Arc<Placement>>,
    /// What ties scans to one another and to the car, by name: the recipe of the placements of all scans that have
    /// none typed.
    #[serde(default, deserialize_with = "no_name_twice", skip_serializing_if = "BTreeMap::is_empty")]
    pub mates: BTreeMap<Name, Arc<MateSpec>>,
    /// The features by name.
    #[serde(default, deserialize_with = "no_name_twice")]
    pub features: BTreeMap<Name, Arc<FeatureSpec>>,
    /// Features that are fitted together, by the name of the group.
    #[serde(default, deserialize_with = "no_name_twice")]
    pub joints: BTreeMap<Name, Arc<Joint>>,
    /// Points, axes and faces in between, which hardpoints are constructed from, by name.
    #[serde(default, deserialize_with = "no_name_twice")]
    pub datums: BTreeMap<Name, Arc<Construction>>,
    /// How each hardpoint is constructed, in the order of roles and sides; one of each.
    #[serde(default)]
    pub hardpoints: Vec<Arc<HardpointSpec>>,
    /// Geometries to compare with the one found, each a list of moves on top of another; one of each name.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub variants: Vec<Arc<Variant>>,
    /// Bodies whose clearance matters, by name.
    #[serde(default, deserialize_with = "no_name_twice", skip_serializing_if = "BTreeMap::is_empty")]
    pub bodies: BTreeMap<Name, Arc<BodySpec>>,
    /// What is to be kept clear.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub clearance: Option<Arc<ClearanceSpec>>,
    /// Names of the files that evaluating the job writes; their endings say in which format.
    #[serde(default)]
    pub exports: Vec<String>,
    /// Fields of a newer version.
    #[serde(flatten)]
    pub extra: Extra,
    #[serde(skip)]
    pub(crate) revision: u64,
}

/// A scan file.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ScanFile {
    /// Path from the job's folder, with `/` between folders.
    pub file: String,
    /// Bytes.
    pub size: u64,
    /// SHA-256 of the bytes, 64 hexadecimal digits.
    pub sha256: String,
    /// The unit of the file's coordinates.
    pub unit: LengthUnit,
    /// Fields of a newer version.
    #[serde(flatten)]
    pub extra: Extra,
}

/// How a scan sits in the car, typed in.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Placement {
    /// The rigid transform from scan to car coordinates: four rows of a homogeneous matrix,
    /// mm; the last is `[0, 0, 0, 1]`.
    pub car_from_scan: [[f64; 4]; 4],
    /// How it was found, in words.
    pub found: String,
    /// Covariance of a small displacement (x, y, z, mm) and rotation (about x, y, z, rad) of
    /// the scan in car axes about the car's origin. Absent: the placement counts as exact.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub covariance: Option<[[f64; 6]; 6]>,
    /// Fields of a newer version.
    #[serde(flatten)]
    pub extra: Extra,
}

/// Which shape a feature is to be.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Wanted {
    /// Decided by the evidence.
    #[default]
    Auto,
    /// A flat face.
    Plane,
    /// A bore or a pin.
    Cylinder,
    /// A taper.
    Cone,
    /// A ball or a cup.
    Sphere,
    /// The rim of a hole.
    Circle,
}

impl From<Kind> for Wanted {
    fn from(kind: Kind) -> Self {
        match kind {
            Kind::Plane => Wanted::Plane,
            Kind::Cylinder => Wanted::Cylinder,
            Kind::Cone => Wanted::Cone,
            Kind::Sphere => Wanted::Sphere,
            Kind::Circle => Wanted::Circle,
        }
    }
}

impl Wanted {
    /// The kind asked for; `None` where the evidence is to decide.
    pub fn kind(self) -> Option<Kind> {
        match self {
            Wanted::Auto => None,
            Wanted::Plane => Some(Kind::Plane),
            Wanted::Cylinder => Some(Kind::Cylinder),
            Wanted::Cone => Some(Kind::Cone),
            Wanted::Sphere => Some(Kind::Sphere),
            Wanted::Circle => Some(Kind::Circle),
        }
    }
}

/// A feature: where it was painted and how it is to be fitted.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct FeatureSpec {
    /// The scan it lies on.
    pub scan: Name,
    /// The touches of the brush, in order.
    #[serde(default)]
    pub dabs: Vec<Touch>,
    /// How it is fitted.
    #[serde(default)]
    pub fit: FitSpec,
    /// Fields of a newer version.
    #[serde(flatten)]
    pub extra: Extra,
}

impl FeatureSpec {
    /// The touches of the brush, in order.
    pub fn painted(&self) -> Vec<Dab> {
        self.dabs.iter().map(|touch| touch.dab.clone()).collect()
    }
}

/// A dab as the job keeps it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Touch {
    /// The touch of the brush.
    #[serde(flatten)]
    pub dab: Dab,
    /// Fields of a newer version.
    #[serde(flatten)]
    pub extra: Extra,
}

impl From<Dab> for Touch {
    fn from(dab: Dab) -> Self {
        Touch { dab, extra: Extra::new() }
    }
}

/// How a feature is fitted.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct FitSpec {
    /// Which shape.
    #[serde(default)]
    pub shape: Wanted,
    /// Take the whole scan, and no dabs.
    #[serde(default, skip_serializing_if = "is_false")]
    pub whole_scan: bool,
    /// From the dabs over the connected surface, as far as it still belongs.
    #[serde(default, skip_serializing_if = "is_false")]
    pub grow: bool,
    /// Plain least squares, with nothing left out.
    #[serde(default, skip_serializing_if = "is_false")]
    pub keep_all: bool,
    /// A radius known beforehand, mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub held_radius: Option<f64>,
    /// Fields of a newer version.
    #[serde(flatten)]
    pub extra: Extra,
}

fn is_false(flag: &bool) -> bool {
    !flag
}

/// Features that are fitted together.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Joint {
    /// Which, in order; all on one scan.
    pub features: Vec<Name>,
    /// What they have in common.
    pub relation: Relation,
    /// Fields of a newer version.
    #[serde(flatten)]
    pub extra: Extra,
}

/// How a hardpoint comes from features.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct HardpointSpec {
    /// What it does in the suspension.
    pub role: Role,
    /// Which side of the car it is on.
    pub side: Side,
    /// The construction, from features and datums by name.
    pub construction: Construction,
    /// Fields of a newer version.
    #[serde(flatten)]
    pub extra: Extra,
}

/// Why a job file cannot be read.
#[derive(Debug, thiserror::Error)]
pub enum JobError {
    /// Not JSON, cut short, or a field that is not as it should be.
    #[error("the job cannot be read (line {}, column {}): {cause}", cause.line(), cause.column())]
    Unreadable {
        /// What the reader met, with line and column.
        cause: serde_json::Error,
    },
    /// JSON, but not a job.
    #[error("the file is not a job: its \"format\" is {found}, not \"{FORMAT}\"")]
    OtherFormat {
        /// What stands there.
        found: String,
    },
    /// A job of a newer program.
    #[error("the job is of version {found}; this program reads up to version {VERSION}")]
    NewerVersion {
        /// The version that it states.
        found: String,
    },
    /// It reads, but contradicts itself or holds a number that cannot be.
    #[error("the job contradicts itself: {0}")]
    Inconsistent(crate::OpError),
}

impl Explain for JobError {
    fn next_step(&self) -> Cow<'static, str> {
        match self {
            JobError::Unreadable { .. } => {
                "Open the copy of the last save beside it (the same name with .previous at its \
                 end), or mend the file at that line."
                    .into()
            }
            JobError::OtherFormat { .. } => "Name a file that ends in .job.json and was saved by this program.".into(),
            JobError::NewerVersion { .. } => {
                "Update this program to the version that saved the job; the file was left as it is.".into()
            }
            JobError::Inconsistent(error) => error.next_step(),
        }
    }
}

impl Default for Job {
    fn default() -> Self {
        Job {
            format: FORMAT.into(),
            version: VERSION,
            title: String::new(),
            vehicle: Arc::default(),
            suspension: None,
            scans: BTreeMap::new(),
            placements: BTreeMap::new(),
            mates: BTreeMap::new(),
            features: BTreeMap::new(),
            joints: BTreeMap::new(),
            datums: BTreeMap::new(),
            hardpoints: Vec::new(),
            variants: Vec::new(),
            bodies: BTreeMap::new(),
            clearance: None,
            exports: Vec::new(),
            extra: Extra::new(),
            revision: 0,
        }
    }
}

impl Job {
    /// Reads a job from the bytes of its file.
    ///
    /// # Errors
    /// See [`JobError`]. What a job refers to (its scan files) is not looked at.
    pub fn from_json(bytes: &[u8]) -> Result<Self, JobError> {
        /// Read first, so that a newer version is named as such whatever else it changed.
        #[derive(Deserialize)]
        struct Heading {
            #[serde(default)]
            format: serde_json::Value,
            #[serde(default)]
            version: serde_json::Value,
        }
        let unreadable = |cause| JobError::Unreadable { cause };
        let heading: Heading = serde_json::from_slice(bytes).map_err(unreadable)?;
        if heading.format != FORMAT {
            return Err(JobError::OtherFormat { found: heading.format.to_string() });
        }
        if heading.version.as_u64() != Some(VERSION.into()) {
            return Err(JobError::NewerVersion { found: heading.version.to_string() });
        }
        let mut job: Job = serde_json::from_slice(bytes).map_err(unreadable)?;
        job.hardpoints.sort_by_key(|hardpoint| hardpoint.key());
        job.check().map_err(JobError::Inconsistent)?;
        Ok(job)
    }

    /// The bytes of the job's file: the same job gives the same bytes.
    ///
    /// # Errors
    /// None for a job that came about through operations.
    pub fn to_json(&self) -> Result<Vec<u8>, JobError> {
        let mut bytes = serde_json::to_vec_pretty(self).map_err(|cause| JobError::Unreadable { cause })?;
        bytes.push(b'\n');
        Ok(bytes)
    }

    /// The JSON Schema (2020-12) of the job file, with a line end at the end.
    pub fn schema() -> String {
        let schema = schemars::schema_for!(Job);
        format!("{:#}\n", schema.as_value())
    }

    /// Counts the states of this job: two with the same number hold the same.
    pub fn revision(&self) -> u64 {
        self.revision
    }

    /// What rests on the feature or datum of this name: the word for it, and its name.
    pub(crate) fn user_of(&self, name: &str) -> Option<(&'static str, String)> {
        let group = self.joints.iter().find(|(_, j)| j.features.iter().any(|f| f.as_str() == name));
        let datum = || self.datums.iter().find(|(_, how)| how.inputs().contains(&name));
        let hardpoint = || self.hardpoints.iter().find(|h| h.construction.inputs().contains(&name));
        let mate = || self.mates.iter().find(|(_, mate)| mate.tie.inputs().contains(&name));
        group
            .map(|(by, _)| ("group", by.to_string()))
            .or_else(|| mate().map(|(by, _)| ("mate", by.to_string())))
            .or_else(|| datum().map(|(by, _)| ("datum", by.to_string())))
            .or_else(|| hardpoint().map(|by| ("hardpoint", by.words())))
    }

    /// A mate that lays this scan on another or another on it, if any.
    pub fn mate_of_scan(&self, scan: &Name) -> Option<&Name> {
        let mut mates = self.mates.iter();
        mates.find(|(_, mate)| mate.tie.scans().is_some_and(|of| of.contains(&scan))).map(|(name, _)| name)
    }

    /// The group that a feature is fitted in, if any.
    pub fn joint_of(&self, feature: &Name) -> Option<(&Name, &Arc<Joint>)> {
        self.joints.iter().find(|(_, joint)| joint.features.contains(feature))
    }
}

impl HardpointSpec {
    /// What tells it from the others.
    pub fn key(&self) -> (Role, Side) {
        (self.role, self.side)
    }

    /// Side and role in plain words.
    pub fn words(&self) -> String {
        hardpoint_words(self.role, self.side)
    }
}

/// A hardpoint in plain words: "lower ball joint, left".
pub fn hardpoint_words(role: Role, side: Side) -> String {
    format!("{}, {side}", role.words())
}

impl Placement {
    /// A placement typed in by a person.
    pub fn typed(car_from_scan: &RigidTransform, found: impl Into<String>) -> Self {
        Placement {
            car_from_scan: matrix_of(car_from_scan),
            found: found.into(),
            covariance: None,
            extra: Extra::new(),
        }
    }

    /// The transform; `None` unless the matrix turns and shifts only. The rotation nearest it is taken.
    pub fn car_from_scan(&self) -> Option<RigidTransform> {
        rigid(&self.car_from_scan)
    }
}

/// The rows of a transform's homogeneous matrix.
pub(crate) fn matrix_of(transform: &RigidTransform) -> [[f64; 4]; 4] {
    let matrix = transform.to_homogeneous();
    std::array::from_fn(|row| std::array::from_fn(|column| matrix[(row, column)]))
}

/// The transform of a homogeneous matrix; `None` unless it turns and shifts only, to 1e-6 in each term of its rotation.
/// The rotation nearest the matrix is taken.
pub(crate) fn rigid(rows: &[[f64; 4]; 4]) -> Option<RigidTransform> {
    use nalgebra::{Matrix3, Matrix4, Rotation3, Translation3, UnitQuaternion};
    let matrix = Matrix4::from_fn(|row, column| rows[row][column]);
    let rotation: Matrix3<f64> = matrix.fixed_view::<3, 3>(0, 0).into_owned();
    let off_square = (rotation * rotation.transpose() - Matrix3::identity()).amax();
    let rigid = matrix.iter().all(|v| v.is_finite())
        && rows[3] == [0.0, 0.0, 0.0, 1.0]
        && off_square < 1e-6
        && rotation.determinant() > 0.0;
    rigid.then(|| {
        let svd = rotation.svd(true, true);
        let nearest = match (svd.u, svd.v_t) {
            (Some(u), Some(v_t)) => u * v_t,
            _ => rotation,
        };
        RigidTransform::from_parts(
            Translation3::new(matrix[(0, 3)], matrix[(1, 3)], matrix[(2, 3)]),
            UnitQuaternion::from_rotation_matrix(&Rotation3::from_matrix_unchecked(nearest)),
        )
    })
}

fn expect_format<'de, D: Deserializer<'de>>(from: D) -> Result<Cow<'static, str>, D::Error> {
    match String::deserialize(from)? {
        format if format == FORMAT => Ok(FORMAT.into()),
        format => Err(serde::de::Error::custom(format!("\"{format}\" is not \"{FORMAT}\""))),
    }
}

fn expect_version<'de, D: Deserializer<'de>>(from: D) -> Result<u32, D::Error> {
    match u32::deserialize(from)? {
        VERSION => Ok(VERSION),
        version => Err(serde::de::Error::custom(format!("version {version} is not {VERSION}"))),
    }
}

/// A map in which a key that stands twice is an error: plain JSON readers take the last.
fn no_name_twice<'de, D, K, V>(from: D) -> Result<BTreeMap<K, V>, D::Error>
where
    D: Deserializer<'de>,
    K: Deserialize<'de> + Ord + std::fmt::Display,
    V: Deserialize<'de>,
{
    struct Visitor<K, V>(std::marker::PhantomData<(K, V)>);
    impl<'de, K, V> serde::de::Visitor<'de> for Visitor<K, V>
    where
        K: Deserialize<'de> + Ord + std::fmt::Display,
        V: Deserialize<'de>,
    {
        type Value = BTreeMap<K, V>;

        fn expecting(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
            f.write_str("an object whose fields are names")
        }

        fn visit_map<A: serde::de::MapAccess<'de>>(self, mut access: A) -> Result<Self::Value, A::Error> {
            let mut map = BTreeMap::new();
            while let Some(key) = access.next_key::<K>()? {
                if map.contains_key(&key) {
                    return Err(serde::de::Error::custom(format!("the name \"{key}\" stands twice")));
                }
                map.insert(key, access.next_value()?);
            }
            Ok(map)
        }
    }
    from.deserialize_map(Visitor(std::marker::PhantomData))
}
