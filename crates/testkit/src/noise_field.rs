//! Scanner-like noise: a smooth Gaussian random field, and the field plus white noise.

use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use rand_distr::StandardNormal;
use stringline_core::{Point3, Vec3};

/// A smooth random field over space with zero mean, unit variance and the correlation
/// `exp(−r²/(2ℓ²))` of two points `r` apart.
///
/// It is a sum of cosines whose wave vectors are drawn from the spectrum of that
/// correlation (random Fourier features: Rahimi and Recht, *Random Features for
/// Large-Scale Kernel Machines*, NIPS 2007). Over seeds the correlation is exact;
/// a single field approaches it as the number of waves grows.
#[derive(Clone, Debug)]
pub struct SmoothField {
    /// Wave vectors in turns a millimetre, and phases in turns.
    waves: Vec<[f64; 4]>,
    amplitude: f64,
}

impl SmoothField {
    /// A field of `waves` cosines with correlation length `correlation_length`, mm.
    pub fn new(seed: u64, correlation_length: f64, waves: usize) -> Self {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        // Angular wave numbers are normal with deviation 1/ℓ; a turn is 2π of them.
        let scale = 1.0 / (correlation_length * std::f64::consts::TAU);
        let waves: Vec<[f64; 4]> = (0..waves)
            .map(|_| {
                let [x, y, z]: [f64; 3] = std::array::from_fn(|_| rng.sample(StandardNormal));
                [x * scale, y * scale, z * scale, rng.random()]
            })
            .collect();
        let amplitude = (2.0 / waves.len().max(1) as f64).sqrt();
        Self { waves, amplitude }
    }

    /// The field's value at a point (mm), without unit.
    pub fn at(&self, p: &Point3) -> f64 {
        let sum: f64 =
            self.waves.iter().map(|[x, y, z, phase]| cos_of_turns(x * p.x + y * p.y + z * p.z + phase)).sum();
        sum * self.amplitude
    }

    /// The value and its gradient (1/mm).
    pub fn at_with_gradient(&self, p: &Point3) -> (f64, Vec3) {
        let (mut sum, mut slope) = (0.0, Vec3::zeros());
        for [x, y, z, phase] in &self.waves {
            let turns = x * p.x + y * p.y + z * p.z + phase;
            sum += cos_of_turns(turns);
            // d cos(2πt)/dt = −2π sin(2πt) = −2π cos(2π(t − ¼)).
            slope -= Vec3::new(*x, *y, *z) * cos_of_turns(turns - 0.25);
        }
        (sum * self.amplitude, slope * (self.amplitude * std::f64::consts::TAU))
    }
}

/// Scanner noise along the surface normal: part of it shared by neighbours, part not.
#[derive(Clone, Debug)]
pub struct ScannerNoise {
    shared: SmoothField,
    shared_sigma: f64,
    white_sigma: f64,
    rng: ChaCha8Rng,
}

impl ScannerNoise {
    /// Noise of standard deviation `sigma` (mm), of whose variance the share
    /// `correlated_share` (0 to 1) is a [`SmoothField`] of length `correlation_length` (mm).
    pub fn new(seed: u64, sigma: f64, correlated_share: f64, correlation_length: f64) -> Self {
        Self {
            shared: SmoothField::new(seed, correlation_length, 256),
            shared_sigma: sigma * correlated_share.sqrt(),
            white_sigma: sigma * (1.0 - correlated_share).sqrt(),
            rng: ChaCha8Rng::seed_from_u64(seed ^ 0x5743_0001),
        }
    }

    /// The share of the noise that neighbours have in common at `p`, mm.
    pub fn shared(&self, p: &Point3) -> f64 {
        self.shared_sigma * self.shared.at(p)
    }

    /// The next independent share, mm; every call draws anew.
    pub fn white(&mut self) -> f64 {
        self.white_sigma * self.rng.sample::<f64, _>(StandardNormal)
    }

    /// The whole noise of a point at `p`, mm.
    pub fn at(&mut self, p: &Point3) -> f64 {
        self.shared(p) + self.white()
    }
}

/// `cos(2πt)`, within 1e-7.
///
/// Its own polynomial rather than the platform's cosine, so that a seed gives the same
/// bits on every machine; it also vectorises, and millions of points are asked for.
fn cos_of_turns(t: f64) -> f64 {
    // Fold to a quarter turn: cos(2πt) = sin(2πu) with u = ¼ − |t − round(t)|.
    let u = 0.25 - (t - t.round_ties_even()).abs();
    let x = u * std::f64::consts::TAU;
    let s = x * x;
    // Taylor series of the sine for |x| ≤ π/2; the first term left out, x¹³/13!, is below 6e-8.
    let tail = 1.0 / 120.0 + s * (-1.0 / 5_040.0 + s * (1.0 / 362_880.0 - s / 39_916_800.0));
    x * (1.0 + s * (-1.0 / 6.0 + s * tail))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_cosine_is_a_cosine() {
        for i in -4000..4000 {
            let t = f64::from(i) * 0.001_37;
            let exact = (t * std::f64::consts::TAU).cos();
            assert!((cos_of_turns(t) - exact).abs() < 1e-7, "t = {t}");
        }
    }

    #[test]
    fn variance_and_correlation_are_as_asked() {
        // Over many seeds: unit variance, and exp(−r²/(2ℓ²)) = e^(−1/2) at r = ℓ.
        let (p, q) = (Point3::new(3.0, -2.0, 7.0), Point3::new(3.0, -0.5, 7.0));
        let n = 4000;
        let (mut pp, mut pq) = (0.0, 0.0);
        for seed in 0..n {
            let field = SmoothField::new(seed, 1.5, 64);
            let (a, b) = (field.at(&p), field.at(&q));
            pp += a * a;
            pq += a * b;
        }
        let n = n as f64;
        // Standard error of both about √(2/4000) = 0.022: five of them.
        assert!((pp / n - 1.0).abs() < 0.11, "{}", pp / n);
        assert!((pq / n - (-0.5_f64).exp()).abs() < 0.11, "{}", pq / n);
    }

    #[test]
    fn the_gradient_is_the_slope() {
        let field = SmoothField::new(5, 2.0, 64);
        let p = Point3::new(1.0, 2.0, 3.0);
        let (_, slope) = field.at_with_gradient(&p);
        for axis in 0..3 {
            let step = Vec3::ith(axis, 1e-3);
            let difference = (field.at(&(p + step)) - field.at(&(p - step))) / 2e-3;
            assert!((slope[axis] - difference).abs() < 1e-3);
        }
    }

    #[test]
    fn scanner_noise_has_the_deviation_asked_for() {
        let mut noise = ScannerNoise::new(9, 0.03, 0.5, 1.0);
        let n = 40_000;
        let sum: f64 = (0..n)
            .map(|i| {
                let p = Point3::new(f64::from(i % 200) * 2.0, f64::from(i / 200) * 2.0, 0.0);
                noise.at(&p).powi(2)
            })
            .sum();
        let sigma = (sum / f64::from(n)).sqrt();
        // The field's own sum of squares wanders by a few per cent with 256 waves.
        assert!((sigma / 0.03 - 1.0).abs() < 0.05, "{sigma}");
    }
}
