//! From placed features to datums and hardpoints.

use crate::document::Job;
use crate::evaluate::{EvaluateError, Failed, Results};
use crate::mates::Tie;
use crate::name::Name;
use crate::placing::PlacementResult;
use std::collections::BTreeMap;
use std::sync::Arc;
use stringline_hardpoints::{Constructed, Construction, DatumRecord, Inputs, place_feature};

/// A feature's placement; why not, where it has none.
fn placement_of<'a>(job: &Job, scan: &Name, results: &'a Results) -> Result<&'a PlacementResult, EvaluateError> {
    let by_mates = || {
        let on_it = |input: &str| job.features.get(input).is_some_and(|feature| feature.scan == *scan);
        let laid = |tie: &Tie| tie.scans().is_some_and(|scans| scans.contains(&scan));
        job.mates.values().any(|mate| laid(&mate.tie) || mate.tie.inputs().into_iter().any(on_it))
    };
    results.placements.get(scan).ok_or_else(|| match by_mates() {
        true => EvaluateError::RestsOn { what: "placement of the scan", name: scan.to_string() },
        false => EvaluateError::NotPlaced { scan: scan.clone() },
    })
}

/// Constructs all that the job asks for.
pub(crate) fn construct_all(job: &Job, results: &mut Results) {
    let mut inputs = Inputs::default();
    let set = &mut results.set;
    set.name = Some(job.title.clone()).filter(|title| !title.is_empty());
    set.suspension = job.suspension;
    set.vehicle = job.vehicle.as_ref().clone();
    for (name, result) in &results.features {
        let Some(PlacementResult { car_from_scan, .. }) = results.placements.get(&result.scan) else {
            continue;
        };
        let placed = place_feature(&result.feature, car_from_scan);
        if let Some(scan) = job.scans.get(&result.scan) {
            if !set.scans.iter().any(|known| known.file == scan.file) {
                set.scans.push(stringline_hardpoints::ScanFile {
                    file: scan.file.clone(),
                    sha256: scan.sha256.to_ascii_lowercase(),
                    extra: serde_json::Map::new(),
                });
            }
            set.datums.push(DatumRecord::from_feature(name.as_str(), &placed, Some(&scan.file)));
        }
        if let Err(error) = inputs.add_feature(name.as_str(), placed) {
            results.failures.push(Failed { what: "feature", name: name.to_string(), error: error.into() });
        }
    }
    construct_datums(job, &mut inputs, results);
    for hardpoint in &job.hardpoints {
        let made = construct(job, &hardpoint.construction, &inputs, results).and_then(|made| {
            let made = with_placement(&made, &inputs, results);
            let set = &mut results.set;
            set.add(hardpoint.role, hardpoint.side, &made, &hardpoint.construction, &inputs)?;
            Ok(made)
        });
        match made {
            Ok(made) => {
                for note in &made.notes {
                    results.warn(hardpoint.words(), note.to_string());
                }
                results.constructed.insert(hardpoint.key(), made);
            }
            Err(error) => results.fail("hardpoint", hardpoint.words(), error),
        }
    }
}

/// Constructs the datums in between, each after those that it rests on.
fn construct_datums(job: &Job, inputs: &mut Inputs, results: &mut Results) {
    let mut open: BTreeMap<&Name, &Arc<Construction>> = job.datums.iter().collect();
    while !open.is_empty() {
        let ready: Vec<&Name> = open
            .iter()
            .filter(|(_, how)| !how.inputs().iter().any(|input| open.keys().any(|name| name.as_str() == *input)))
            .map(|(name, _)| *name)
            .collect();
        if ready.is_empty() {
            for name in open.keys() {
                results.fail("datum", name, EvaluateError::Circular);
            }
            return;
        }
        for name in ready {
            let Some(how) = open.remove(name) else {
                continue;
            };
            let made = construct(job, how, inputs, results).and_then(|made| {
                inputs.add_constructed(name.as_str(), made.clone())?;
                Ok(made)
            });
            match made {
                Ok(made) => {
                    let made = with_placement(&made, inputs, results);
                    results.datums.insert(name.clone(), made);
                }
                Err(error) => results.fail("datum", name, error),
            }
        }
    }
}

/// Adds what the placements of its scans in the car add to a datum's uncertainty: what they rest on in common, with
/// each other and with the datum, adds up with its sign.
fn with_placement(made: &Constructed, inputs: &Inputs, results: &Results) -> Constructed {
    inputs.with_placements(made, |feature| {
        let scan = &results.features.get(feature)?.scan;
        Some(&results.placements.get(scan)?.sources)
    })
}

/// Constructs in the car's frame.
fn construct(job: &Job, how: &Construction, inputs: &Inputs, results: &Results) -> Result<Constructed, EvaluateError> {
    for input in how.inputs() {
        if let Some(feature) = results.features.get(input) {
            placement_of(job, &feature.scan, results)?;
        } else if let Some(name) = job.features.get_key_value(input).map(|(name, _)| name) {
            return Err(EvaluateError::RestsOn { what: "feature", name: name.to_string() });
        } else if job.datums.contains_key(input) && !results.datums.contains_key(input) {
            return Err(EvaluateError::RestsOn { what: "datum", name: input.into() });
        }
    }
    Ok(inputs.construct(how)?)
}
