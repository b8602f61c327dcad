//! The brush: what the pointer does on the scans.

use crate::bench::Workbench;
use crate::keys::Command;
use crate::live::{Live, LiveAsk};
use crate::shown::{Pointer, Touched};
use crate::state::{State, Stroke};
use crate::words::Trouble;
use crate::work::{Footprint, FootprintAsk};
use crate::{files, show};
use std::sync::Arc;
use stringline_job::{FitSpec, Name, Op};
use stringline_scan::Dab;

/// While it is dragged the brush leaves a dab after this share of its radius.
const DAB_STEP: f64 = 0.5;

impl Workbench {
    pub(crate) fn point(&mut self, event: Pointer) {
        match event {
            Pointer::Nowhere => self.hover(None),
            Pointer::Over(touched) => self.hover(Some(touched)),
            Pointer::Press(touched, wiping) if self.state.brush_in_hand() => {
                self.hover(Some(touched));
                self.press(touched, wiping != self.state.wiping);
            }
            Pointer::Press(touched, _) => {
                self.hover(Some(touched));
                let scan = show::scan_at(&self.state, touched.scan).cloned();
                let pins = |bench: &mut Workbench| scan.is_some_and(|scan| bench.pin_at(scan.as_str(), &touched));
                if !self.pick_at(&touched) && !pins(self) {
                    self.choose_at(&touched);
                }
            }
            Pointer::Drag(touched, wiping) => {
                self.hover(Some(touched));
                self.drag(touched, wiping != self.state.wiping);
            }
            Pointer::Release => self.release(),
            Pointer::Wheel(steps) => {
                let command = if steps > 0.0 { Command::Wider } else { Command::Narrower };
                for _ in 0..steps.abs().ceil().min(20.0) as usize {
                    self.act(crate::panels::Action::Command(command));
                }
            }
        }
    }

    fn hover(&mut self, touched: Option<Touched>) {
        let under = touched.and_then(|touched| Some((show::scan_at(&self.state, touched.scan)?.clone(), touched)));
        if under != self.state.under {
            self.state.under = under;
            self.ask_footprint();
        }
    }

    /// Takes the feature in hand that lies there.
    fn choose_at(&mut self, touched: &Touched) {
        let Some(name) = show::scan_at(&self.state, touched.scan) else { return };
        let Some(loaded) = self.state.scans.get(name).and_then(|scan| scan.ready()) else { return };
        let Some(nearest) = loaded.scan.nearest(&touched.at) else { return };
        let mut features = self.state.results.features.iter();
        let found = features.find(|(_, f)| f.scan == *name && f.patch.points.binary_search(&nearest).is_ok());
        if let Some((feature, _)) = found {
            let feature = feature.clone();
            self.act(crate::panels::Action::Choose(Some(feature)));
        }
    }

    /// Asks what lies under the brush where the pointer is.
    pub(crate) fn ask_footprint(&mut self) {
        let under = self.state.under.clone().filter(|_| self.state.brush_in_hand());
        let loaded = under.as_ref().and_then(|(name, _)| self.state.scans.get(name)?.ready().cloned());
        let ticket = self.id();
        match (under, loaded) {
            (Some((scan, touched)), Some(loaded)) => {
                let dab = self.state.dab(&touched, self.state.wiping);
                self.workers.footprint.ask(FootprintAsk { ticket, scan, loaded, dab });
            }
            _ => {
                if let Some(footprint) = self.state.footprint.take() {
                    self.state.recolour(&footprint.scan);
                }
            }
        }
    }

    pub(crate) fn take_footprint(&mut self, footprint: Footprint) {
        let wanted = self.state.brush_in_hand()
            && self.state.under.as_ref().is_some_and(|(scan, _)| *scan == footprint.scan)
            && self.state.footprint.as_ref().is_none_or(|known| known.ticket < footprint.ticket);
        if wanted {
            if let Some(before) = self.state.footprint.take() {
                self.state.recolour(&before.scan);
            }
            self.state.recolour(&footprint.scan);
            self.state.footprint = Some(footprint);
        }
    }

    fn press(&mut self, touched: Touched, wipe: bool) {
        let Some(scan) = show::scan_at(&self.state, touched.scan).cloned() else { return };
        let Some(job) = self.state.job().cloned() else { return };
        if self.state.scans.get(&scan).and_then(|scan| scan.ready()).is_none() {
            self.say(format!("{scan} is still being loaded: painting begins when it is there"));
            return;
        }
        // A feature that covers the whole scan has no dabs to add to.
        let goes_on = |name: &Name| job.features.get(name).is_some_and(|f| f.scan == scan && !f.fit.whole_scan);
        let chosen = self.state.chosen.clone().filter(goes_on);
        let fresh = chosen.is_none();
        if fresh && wipe {
            self.say("There is nothing to wipe: choose the feature to take paint from");
            return;
        }
        let feature = match chosen {
            Some(name) => name,
            None => {
                let taken = |name: &Name| job.features.contains_key(name) || job.datums.contains_key(name);
                match files::free_name("feature 1", taken) {
                    Ok(name) => name,
                    Err(error) => return self.trouble(Trouble::of(&error)),
                }
            }
        };
        let dab = self.state.dab(&touched, wipe);
        self.state.stroke = Some(Stroke { feature, fresh, scan, dabs: vec![dab] });
        self.ask_live();
    }

    fn drag(&mut self, touched: Touched, wipe: bool) {
        let on_same = show::scan_at(&self.state, touched.scan) == self.state.stroke.as_ref().map(|stroke| &stroke.scan);
        let dab = self.state.dab(&touched, wipe);
        let Some(stroke) = self.state.stroke.as_mut().filter(|_| on_same) else { return };
        let far = stroke.dabs.last().is_none_or(|last| (last.centre - dab.centre).norm() >= DAB_STEP * dab.radius);
        if far {
            stroke.dabs.push(dab);
            self.ask_live();
        }
    }

    /// The stroke becomes a step of the job.
    fn release(&mut self) {
        let Some(Stroke { feature, fresh, scan, dabs }) = self.state.stroke.take() else { return };
        let mut ops = Vec::new();
        if fresh {
            ops.push(Op::AddFeature { name: feature.clone(), scan, fit: FitSpec::default() });
        }
        ops.push(Op::Paint { feature: feature.clone(), dabs });
        if self.apply(ops) {
            self.state.chosen = Some(feature);
        } else {
            self.state.live = None;
        }
    }

    /// Has what is painted fitted, the stroke that is under way included.
    fn ask_live(&mut self) {
        let ticket = self.id();
        let Some(stroke) = &self.state.stroke else { return };
        let Some(loaded) = self.state.scans.get(&stroke.scan).and_then(|scan| scan.ready()) else { return };
        let known = self.state.job().and_then(|job| job.features.get(&stroke.feature));
        let mut dabs = known.map(|feature| feature.painted()).unwrap_or_default();
        dabs.extend(stroke.dabs.iter().cloned());
        self.workers.live.ask(LiveAsk {
            ticket,
            feature: stroke.feature.clone(),
            scan: stroke.scan.clone(),
            loaded: Arc::clone(loaded),
            dabs,
            fit: known.map(|feature| feature.fit.clone()).unwrap_or_default(),
        });
    }

    pub(crate) fn take_live(&mut self, live: Live) {
        let newer = self.state.live.as_ref().is_none_or(|known| known.ticket < live.ticket);
        let painting = self.state.stroke.as_ref().is_some_and(|stroke| stroke.feature == live.feature);
        // After the stroke it bridges the time until the full fit is there.
        let bridging = self.state.chosen.as_ref() == Some(&live.feature) && !self.state.up_to_date();
        if newer && (painting || bridging) {
            self.state.recolour(&live.scan);
            self.state.live = Some(live);
        }
    }
}

impl State {
    /// A touch of the brush.
    fn dab(&self, touched: &Touched, wipe: bool) -> Dab {
        Dab { centre: touched.at, radius: self.remembered.brush, seen_from: Some(touched.seen_from), wipe }
    }
}
