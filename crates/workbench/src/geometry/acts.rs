//! What the acts of this stop do to the state and the job.

use crate::bench::Workbench;
use crate::files;
use crate::geometry::study::{Key, StudyAsk};
use crate::geometry::{Act, Drag, FURTHEST, Geometry, Over, moves, offers};
use crate::keys::Command;
use crate::state::Stop;
use crate::words::Trouble;
use crate::work::Done;
use std::f64::consts::TAU;
use std::sync::Arc;
use stringline_hardpoints::{Role, Side};
use stringline_job::{Name, Op};
use stringline_kinematics::{AS_FOUND, Change, Move, Quantity, Variant};

/// A step of travel or rack by a key, mm.
const STEP: f64 = 1.0;
/// A step of a hardpoint by a key, mm.
const NUDGE: f64 = 0.1;
/// One cycle of play, s.
const CYCLE: f64 = 6.0;
/// Between two frames of play, s.
const FRAME: f64 = 1.0 / 30.0;

impl Workbench {
    /// Has the curves worked out that are to be seen; asked anew when what they depend on changed.
    pub(crate) fn follow_geometry(&mut self) {
        if self.state.stop != Stop::Geometry {
            self.state.geometry.playing = None;
            return;
        }
        let Some(key) = self.study_key() else { return };
        let geometry = &mut self.state.geometry;
        if geometry.asked.as_ref().is_some_and(|(_, asked)| *asked == key) {
            return;
        }
        let ticket = geometry.asked.as_ref().map_or(0, |(ticket, _)| *ticket) + 1;
        geometry.asked = Some((ticket, key.clone()));
        self.workers.study.ask(StudyAsk { ticket, key });
    }

    fn study_key(&self) -> Option<Key> {
        let job = self.state.job()?;
        self.state.results_of?;
        let geometry = &self.state.geometry;
        let mut variants: Vec<Variant> = job.variants.iter().map(|variant| Variant::clone(variant)).collect();
        if let Some(draft) = &geometry.draft {
            match variants.iter_mut().find(|variant| variant.name == draft.name) {
                Some(place) => *place = draft.clone(),
                None => variants.push(draft.clone()),
            }
        }
        let at = match geometry.over {
            Over::Travel => geometry.rack,
            Over::Rack => geometry.travel,
        };
        let results = Arc::clone(&self.state.results);
        Some(Key { results, variants, over: geometry.over, at, range: geometry.range })
    }

    /// Moves everything on while it plays, and asks for the next frame.
    pub(crate) fn play(&mut self, ctx: &egui::Context) {
        let now = ctx.input(|input| input.time);
        let geometry = &mut self.state.geometry;
        let ends = geometry.ends();
        if std::mem::take(&mut geometry.plays) {
            let [low, high] = ends;
            let part = if high > low { (2.0 * geometry.along() - low - high) / (high - low) } else { 0.0 };
            geometry.playing = Some((now, part.clamp(-1.0, 1.0).asin()));
        }
        let Some((since, phase)) = geometry.playing else { return };
        let [low, high] = ends;
        let part = (phase + (now - since) * TAU / CYCLE).sin();
        geometry.go(0.5 * (low + high) + 0.5 * (high - low) * part);
        ctx.request_repaint_after(std::time::Duration::from_secs_f64(FRAME));
    }

    /// The variant in hand as it is now, draft or not; `None` as found.
    pub(crate) fn in_hand(&self) -> Option<Variant> {
        in_hand(&self.state)
    }

    /// The variant to change: the one in hand, or a new one where the car as found is.
    fn variant_to_change(&mut self) -> Option<Variant> {
        self.in_hand().or_else(|| self.fresh())
    }

    /// A new variant on top of the one in hand, toe kept by the tie rods.
    fn fresh(&mut self) -> Option<Variant> {
        let job = self.state.job()?;
        let taken = |name: &Name| job.variants.iter().any(|variant| variant.name == name.as_str());
        let name = files::free_name("variant 1", taken).ok()?;
        let geometry = &self.state.geometry;
        let mut fresh = Variant::new(name.as_str(), None, Vec::new());
        if geometry.hand != AS_FOUND {
            fresh.base = Some(geometry.hand.clone());
        }
        if let Some(Ok(path)) = geometry.path() {
            let toe = [&path.rest.left, &path.rest.right].map(|c| tidy_toe(c.toe_in.to_degrees()));
            if toe[0] == toe[1] {
                fresh.moves.push(Change::Align { toe_in_deg: toe[0] }.into());
            } else {
                for (side, toe_in_deg) in [Side::Left, Side::Right].into_iter().zip(toe) {
                    fresh.moves.push(Move { side: Some(side), change: Change::Align { toe_in_deg } });
                }
            }
        }
        Some(fresh)
    }

    /// The side that moves go to.
    fn move_side(&self) -> Option<Side> {
        (!self.state.geometry.both).then(|| super::corner_side(self.state.side))
    }

    fn set_variant(&mut self, variant: Variant) {
        let name = variant.name.clone();
        self.state.geometry.draft = None;
        let same = self.state.job().is_some_and(|job| job.variants.iter().any(|known| **known == variant));
        if same || self.apply(vec![Op::SetVariant { variant: Box::new(variant) }]) {
            self.state.geometry.hand = name;
        }
    }

    /// What is being changed becomes a step.
    fn settle(&mut self) {
        if let Some(draft) = self.state.geometry.draft.take() {
            self.set_variant(draft);
        }
    }

    fn draft(&mut self, variant: Variant) {
        self.state.geometry.hand = variant.name.clone();
        self.state.geometry.draft = Some(variant);
    }

    fn nudge(&mut self, sign: f64) {
        let geometry = &self.state.geometry;
        let Some(role) = geometry.point else {
            self.say("Choose a hardpoint first, in the list or in the view");
            return;
        };
        let axis = geometry.axis;
        let side = self.move_side();
        // Outboard is +y on the left: what is typed and nudged is the left corner's.
        if let Some(mut variant) = self.variant_to_change() {
            if moves::nudge(&mut variant, role, axis, sign * NUDGE, side) {
                self.set_variant(variant);
            } else {
                self.say(format!("The {} does not move that way by itself: use the list of moves", role.words()));
            }
        }
    }

    fn drag_to(&mut self) {
        let side = self.move_side();
        let geometry = &mut self.state.geometry;
        let Some(drag) = &geometry.drag else { return };
        let mut variant = drag.from.clone();
        let before = moves::total(&variant, drag.role, drag.axis, side);
        let by = moves::snapped(before + drag.by) - before;
        moves::nudge(&mut variant, drag.role, drag.axis, by, side);
        self.draft(variant);
    }

    pub(crate) fn geometry_act(&mut self, act: Act) {
        let geometry = &mut self.state.geometry;
        match act {
            Act::Travel(mm) => geometry.set_travel(mm),
            Act::Rack(mm) => geometry.set_rack(mm),
            Act::Over(over) => {
                geometry.over = over;
                geometry.playing = None;
            }
            Act::Range(mm) => {
                geometry.range = mm.clamp(1.0, FURTHEST);
                geometry.set_travel(geometry.travel);
            }
            Act::Show(quantity) => {
                geometry.quantity = quantity;
                // Some are told by steering alone.
                if matches!(
                    quantity,
                    Quantity::AckermannError
                        | Quantity::AckermannPercent
                        | Quantity::InnerSteer
                        | Quantity::OuterSteer
                        | Quantity::TurningCircle
                ) {
                    geometry.over = Over::Rack;
                }
            }
            Act::Hand(name) => {
                self.settle();
                self.state.geometry.hidden.remove(&name);
                self.state.geometry.hand = name;
            }
            Act::Hide(name, hide) => {
                if hide {
                    geometry.hidden.insert(name);
                } else {
                    geometry.hidden.remove(&name);
                }
            }
            Act::Point(role) => geometry.point = role,
            Act::Axis(axis) => geometry.axis = axis % 3,
            Act::Both(both) => geometry.both = both,
            Act::Draft(variant) => self.draft(variant),
            Act::Settle => self.settle(),
            Act::Shift(role, axis, by) => {
                let side = self.move_side();
                if let Some(mut variant) = self.variant_to_change()
                    && moves::nudge(&mut variant, role, axis, by, side)
                {
                    self.draft(variant);
                }
            }
            Act::DragBegin(role, axis) => {
                geometry.point = Some(role);
                geometry.axis = axis;
                if let Some(from) = self.variant_to_change() {
                    self.state.geometry.drag = Some(Drag { role, axis, from, by: 0.0 });
                }
            }
            Act::DragBy(mm) => {
                if let Some(drag) = &mut geometry.drag {
                    drag.by += mm;
                }
                self.drag_to();
            }
            Act::DragEnd => {
                if geometry.drag.take().is_some() {
                    self.settle();
                }
            }
            Act::Add(change) => {
                let side = self.move_side();
                if let Some(mut variant) = self.variant_to_change() {
                    moves::add(&mut variant, Move { side, change });
                    self.set_variant(variant);
                }
            }
            Act::New => {
                self.settle();
                if let Some(fresh) = self.fresh() {
                    self.set_variant(fresh);
                }
            }
            Act::Rename(from, to) => self.rename(&from, &to),
            Act::Remove(name) => {
                if self.apply(vec![Op::RemoveVariant { name: name.clone() }]) {
                    let geometry = &mut self.state.geometry;
                    geometry.draft = None;
                    if geometry.hand == name {
                        geometry.hand = AS_FOUND.into();
                    }
                }
            }
            Act::Goals(goals) => geometry.goals = goals,
            Act::Solve(wish) => self.solve(wish),
            Act::Decline => geometry.offer = None,
        }
    }

    /// Under another name: what rests on it follows.
    fn rename(&mut self, from: &str, to: &str) {
        let Some(job) = self.state.job() else { return };
        let Some(known) = job.variants.iter().find(|variant| variant.name == from) else { return };
        if job.variants.iter().any(|variant| variant.name == to) {
            let text = format!("there is a variant \"{to}\" already");
            self.trouble(Trouble::new(text, "Give it a name of its own."));
            return;
        }
        let mut ops = vec![Op::SetVariant { variant: Box::new(Variant { name: to.into(), ..Variant::clone(known) }) }];
        for child in job.variants.iter().filter(|variant| variant.base.as_deref() == Some(from)) {
            let variant = Variant { base: Some(to.into()), ..Variant::clone(child) };
            ops.push(Op::SetVariant { variant: Box::new(variant) });
        }
        ops.push(Op::RemoveVariant { name: from.into() });
        if self.apply(ops) {
            self.state.geometry.hand = to.into();
        }
    }

    fn solve(&mut self, wish: offers::Wish) {
        let Some(Ok(path)) = self.state.geometry.path() else {
            self.say("There is no linkage yet to work on");
            return;
        };
        let (axle, goals) = (*path.axle.geometry(), self.state.geometry.goals.clone());
        let Some(on) = self.variant_to_change() else { return };
        // A new variant stands on the one in hand, with nothing moved yet.
        let words = match wish {
            offers::Wish::BumpSteer => "Least bump steer",
            offers::Wish::Ackermann => "A hole for that Ackermann",
            offers::Wish::Caster => "A setting for that caster",
            offers::Wish::Lock => "Arm and stops for that lock",
        };
        let id = self.begin(words.into(), move |_, _| Done::Offered(Box::new(offers::solve(wish, on, &axle, &goals))));
        self.state.geometry.offering = Some(id);
        self.state.geometry.offer = None;
    }

    fn take_offer(&mut self) {
        let Some(Ok(offer)) = self.state.geometry.offer.take() else { return };
        let known = self.in_hand();
        if known.as_ref().is_some_and(|known| *known != offer.on) {
            self.say("The variant has changed since: work it out again");
            return;
        }
        let taken = |job: &Arc<stringline_job::Job>| {
            job.variants.iter().any(|variant| variant.name == offer.on.name && **variant != offer.on)
        };
        if self.state.job().is_some_and(taken) {
            self.say("There is another variant of that name since: work it out again");
            return;
        }
        let mut variant = offer.on;
        for m in offer.moves {
            moves::add(&mut variant, m);
        }
        self.set_variant(variant);
    }

    /// An answer came.
    pub(crate) fn offered(&mut self, task: Option<u64>, offer: Result<offers::Offer, Trouble>) {
        let geometry = &mut self.state.geometry;
        if task.is_some() && geometry.offering == task {
            geometry.offering = None;
            geometry.offer = Some(offer);
        }
    }

    /// The job is another: what it does not have any more is let go of.
    pub(crate) fn geometry_changed(&mut self) {
        let names: Vec<String> =
            self.state.job().iter().flat_map(|job| &job.variants).map(|v| v.name.clone()).collect();
        let geometry = &mut self.state.geometry;
        let known = |name: &String| name == AS_FOUND || names.contains(name);
        geometry.hidden.retain(|name| known(name));
        let drafted = geometry.draft.as_ref().is_some_and(|draft| draft.name == geometry.hand);
        if !known(&geometry.hand) && !drafted {
            geometry.hand = AS_FOUND.into();
        }
    }

    fn next_variant(&mut self) {
        let variants = self.state.job().into_iter().flat_map(|job| &job.variants).map(|v| v.name.clone());
        let names: Vec<String> = std::iter::once(AS_FOUND.to_owned()).chain(variants).collect();
        let place = names.iter().position(|name| *name == self.state.geometry.hand).unwrap_or(0);
        self.geometry_act(Act::Hand(names[(place + 1) % names.len()].clone()));
    }

    /// Does a command of this stop.
    pub(crate) fn geometry_command(&mut self, command: Command) {
        if self.state.stop == Stop::Clearance && command == Command::NextVariant {
            self.next_variant();
            return;
        }
        if self.state.stop != Stop::Geometry {
            let arrow = matches!(command, Command::Rise | Command::Fall | Command::RackLeft | Command::RackRight);
            if !arrow {
                self.say(format!(
                    "\"{}\" is for the stop Geometry: {}",
                    command.words(),
                    Command::StopGeometry.key_words()
                ));
            }
            return;
        }
        let geometry = &mut self.state.geometry;
        let all = Quantity::ALL;
        let place = all.iter().position(|quantity| *quantity == geometry.quantity).unwrap_or(0);
        match command {
            Command::Play => {
                geometry.plays = geometry.playing.take().is_none();
            }
            Command::Rest => {
                geometry.playing = None;
                (geometry.travel, geometry.rack) = (0.0, 0.0);
            }
            Command::Rise => geometry.set_travel(geometry.travel.floor() + STEP),
            Command::Fall => geometry.set_travel(geometry.travel.ceil() - STEP),
            Command::RackLeft => geometry.set_rack(geometry.rack.floor() + STEP),
            Command::RackRight => geometry.set_rack(geometry.rack.ceil() - STEP),
            Command::Over => {
                let over = if geometry.over == Over::Travel { Over::Rack } else { Over::Travel };
                self.geometry_act(Act::Over(over));
            }
            Command::NextCurve => self.geometry_act(Act::Show(all[(place + 1) % all.len()])),
            Command::LastCurve => self.geometry_act(Act::Show(all[(place + all.len() - 1) % all.len()])),
            Command::OtherSide => {
                self.state.side = if self.state.side == Side::Right { Side::Left } else { Side::Right };
            }
            Command::NextVariant => self.next_variant(),
            Command::NewVariant => self.geometry_act(Act::New),
            Command::NextPoint => {
                let Some(Ok(path)) = geometry.path() else { return };
                let points = moves::points(path.axle.geometry());
                let place = geometry.point.and_then(|point| points.iter().position(|role| *role == point));
                let next: Option<Role> = points.get(place.map_or(0, |place| place + 1)).copied();
                geometry.point = next;
            }
            Command::NextAxis => geometry.axis = (geometry.axis + 1) % 3,
            Command::Further => self.nudge(1.0),
            Command::Nearer => self.nudge(-1.0),
            Command::LeastBumpSteer => self.solve(offers::Wish::BumpSteer),
            Command::TakeOffer => match &self.state.geometry.offer {
                Some(Ok(_)) => self.take_offer(),
                _ => self.say("Nothing is offered: work something out first"),
            },
            _ => {}
        }
    }
}

/// The variant in hand as it is now, draft or not; `None` as found.
pub(crate) fn in_hand(state: &crate::state::State) -> Option<Variant> {
    let geometry = &state.geometry;
    if let Some(draft) = geometry.draft.as_ref().filter(|draft| draft.name == geometry.hand) {
        return Some(draft.clone());
    }
    state.job()?.variants.iter().find(|variant| variant.name == geometry.hand).map(|variant| Variant::clone(variant))
}

/// Toe to the hundredth of a degree, as it is set on the car.
fn tidy_toe(degrees: f64) -> f64 {
    let rounded = (degrees * 100.0).round() / 100.0;
    if rounded == 0.0 { 0.0 } else { rounded }
}

impl Geometry {
    /// How far travel or rack goes, whichever the curves run over, mm.
    pub(crate) fn ends(&self) -> [f64; 2] {
        match self.over {
            Over::Travel => [-self.range, self.range],
            Over::Rack => self.rack_ends(),
        }
    }

    /// How far the rack can go at rest, mm.
    pub(crate) fn rack_ends(&self) -> [f64; 2] {
        match self.path() {
            Some(Ok(path)) => path.rack,
            _ => [-60.0, 60.0],
        }
    }

    fn go(&mut self, along: f64) {
        match self.over {
            Over::Travel => self.travel = along,
            Over::Rack => self.rack = along,
        }
    }

    fn set_travel(&mut self, mm: f64) {
        if mm.is_finite() {
            self.travel = mm.clamp(-self.range, self.range);
            self.playing = None;
        }
    }

    fn set_rack(&mut self, mm: f64) {
        let [low, high] = self.rack_ends();
        if mm.is_finite() && low <= high {
            self.rack = mm.clamp(low, high);
            self.playing = None;
        }
    }
}
