//! How fast the graphics card is: what it draws, and how long it takes.

use std::sync::atomic::{AtomicBool, AtomicU64, Ordering::Relaxed};
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

/// A frame of a moving view shall take the graphics card no longer than this.
const GOAL: Duration = Duration::from_millis(16);

/// A moving view whose frames take longer than the second of these is drawn with fewer pixels, one
/// whose frames take less than the first with more. Twice as far apart as a step makes, so that it
/// does not swing.
const PIXELS_GOAL: [Duration; 2] = [Duration::from_millis(8), Duration::from_millis(40)];

/// One pixel drawn stands for at most this many each way.
const SHRINK_MOST: u32 = 4;

/// Counts of the frames drawn and their cost. Written by the drawing thread, read by the window's.
#[derive(Debug, Default)]
pub struct Pace {
    /// Frames in which every scan was drawn.
    pub full: AtomicU64,
    /// Frames in which only the pieces whose colours changed were drawn.
    pub partial: AtomicU64,
    /// Frames in which no scan was drawn: panels and call-outs alone.
    pub none: AtomicU64,
    /// Whether surfaces are still on their way to the graphics card.
    pub uploading: AtomicBool,
    last: Mutex<Last>,
}

#[derive(Clone, Copy, Debug, Default)]
struct Last {
    /// How long the card was busy with the last full frame, and what it drew.
    busy: Duration,
    elements: usize,
    /// What an element costs, s; zero until it is known.
    each: f64,
    /// One less than [`Pace::shrink`].
    shrink: u32,
    done: Option<Instant>,
}

impl Pace {
    /// How many facets the card draws in time; no limit until a frame has been measured.
    pub fn allowed(&self) -> usize {
        let each = self.last.lock().unwrap_or_else(PoisonError::into_inner).each;
        if each > 0.0 { (GOAL.as_secs_f64() / each) as usize } else { usize::MAX }
    }

    /// How many pixels one that is drawn stands for, each way, while the view moves.
    pub fn shrink(&self) -> u32 {
        self.last.lock().unwrap_or_else(PoisonError::into_inner).shrink + 1
    }

    /// How long the card was busy with the last full frame, and how many facets it drew.
    pub fn last(&self) -> (Duration, usize) {
        let last = self.last.lock().unwrap_or_else(PoisonError::into_inner);
        (last.busy, last.elements)
    }

    /// The card has finished what was handed to it at `begun`.
    pub(crate) fn finished(&self, begun: Instant, drawn: Option<Drawn>) {
        let mut last = self.last.lock().unwrap_or_else(PoisonError::into_inner);
        let now = Instant::now();
        // It was not at it while the frame before was not done.
        let start = last.done.map_or(begun, |done| done.max(begun));
        last.done = Some(now);
        if let Some(drawn) = drawn.filter(|d| d.elements > 0) {
            last.busy = now.saturating_duration_since(start);
            last.elements = drawn.elements;
            if drawn.moving && last.busy > PIXELS_GOAL[1] {
                last.shrink = (last.shrink + 1).min(SHRINK_MOST - 1);
            } else if drawn.moving && last.busy < PIXELS_GOAL[0] {
                last.shrink = last.shrink.saturating_sub(1);
            }
            // A coarse frame's price holds more of what every frame costs, so it is too high; and a
            // card that was asleep is slow at first. A lower price is always nearer to the truth.
            let each = last.busy.as_secs_f64() / drawn.elements as f64;
            if drawn.whole || (last.each > 0.0 && each < last.each) {
                last.each = each;
            }
        }
    }

    pub(crate) fn count(&self, counter: &AtomicU64) {
        counter.fetch_add(1, Relaxed);
    }
}

/// What a full frame drew.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Drawn {
    pub(crate) elements: usize,
    /// Whether every scan was drawn at its finest, with all pixels, and nothing else was done.
    pub(crate) whole: bool,
    /// Whether the view was moving.
    pub(crate) moving: bool,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_allowed_follows_from_what_was_measured() {
        let pace = Pace::default();
        assert_eq!(pace.allowed(), usize::MAX);
        let begun = Instant::now();
        std::thread::sleep(Duration::from_millis(40));
        pace.finished(begun, Some(Drawn { elements: 300_000, whole: true, moving: false }));
        let (busy, elements) = pace.last();
        assert!(busy >= Duration::from_millis(40) && elements == 300_000);
        let allowed = pace.allowed();
        assert!((1..=120_000).contains(&allowed), "{allowed}");
        // A coarse frame says little of a facet's price unless it is lower, one without scans nothing.
        let begun = Instant::now();
        std::thread::sleep(Duration::from_millis(5));
        pace.finished(begun, Some(Drawn { elements: 10, whole: false, moving: false }));
        pace.finished(Instant::now(), None);
        assert_eq!(pace.allowed(), allowed);
        pace.finished(Instant::now(), Some(Drawn { elements: 1_000_000, whole: false, moving: false }));
        assert!(pace.allowed() > allowed);
    }

    #[test]
    fn a_slow_card_draws_fewer_pixels_while_the_view_moves() {
        let pace = Pace::default();
        let frame = |milliseconds: u64| {
            let begun = Instant::now();
            std::thread::sleep(Duration::from_millis(milliseconds));
            pace.finished(begun, Some(Drawn { elements: 1000, whole: false, moving: true }));
            pace.shrink()
        };
        assert_eq!([frame(45), frame(45), frame(20), frame(0), frame(0), frame(0)], [2, 3, 3, 2, 1, 1]);
    }
}
