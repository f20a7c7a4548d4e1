"""Updates of shipped walls beside an own MCMC that shares no line with the program.

Foreman-Mackey and others, PASP 125, 2013: emcee, over the scores of what is epistemic. The model is
written anew: erfc below the convection zone, D_ref k_e k_c (28 d / t)^a, and the penalties of
DuraCrete R9 (recalled) after 1 and 3 d. What varies along the wall is summed over grids.
"""

import emcee
import numpy as np
import pandas as pd
import pytest
from scipy import interpolate, special, stats

import stripwise
from stripwise.risk.probability import epistemic_band

YEAR = 365.25
AGE, SHARE = 10.0, 0.08
EDGES = np.array([0.0, 10.0, 20.0, 32.0])
STEPS = 1100


def beta(mean, sd, low=0.0, high=1.0):
    """Return a beta distribution by its moments."""
    m, s = (mean - low) / (high - low), sd / (high - low)
    size = m * (1.0 - m) / s**2 - 1.0
    return stats.beta(m * size, (1.0 - m) * size, low, high - low)


ONE_DAY, THREE_DAYS = beta(2.4, 0.7, 1.0, 4.0), beta(1.5, 0.3, 1.0, 4.0)
ZONE_LAW, CRITICAL = beta(8.9, 5.6, 0.0, 50.0), beta(0.6, 0.15, 0.2, 2.0)
GRID = np.linspace(-6.0, 6.0, 601)
LOG_PENALTIES = [np.log(law.ppf(special.ndtr(GRID))) for law in (ONE_DAY, THREE_DAYS)]


def log_penalty(place, slope, days):
    """Return ln k_c after so many equivalent days in the forms, at most 3."""
    one, three = (np.interp(place, GRID, table) for table in LOG_PENALTIES)
    if days < 1.0:
        mean = np.log(2.4 / 1.5) / np.log(3.0)
        return one - np.maximum(mean + 0.15 * slope, 0.0) * np.log(days)
    share = np.log(days) / np.log(3.0)
    return (1.0 - share) * one + share * three


def equivalent_days(hours):
    """Arrhenius function of ASTM C1074, 5000 K, of concrete at 15 degC beside 20 degC."""
    return hours / 24.0 * np.exp(5000.0 * (1.0 / 293.15 - 1.0 / 288.15))


def log_tau(scores, exponent, hours, age):
    """Return ln of tau over D_ref [mm2 / (m2/s)]; scores of temperature, place and slope."""
    temperature, place, slope = scores
    warmth = (4800.0 + 700.0 * temperature) * (1.0 / 293.0 - 1.0 / 283.15)  # walls at 10 degC
    cured = log_penalty(place, slope, equivalent_days(hours))
    aged = exponent * np.log(28.0 / (YEAR * age))
    return warmth + cured + aged + np.log(1e6 * age * YEAR * 86_400.0)


def exponents(mean, sd):
    table = beta(mean, sd).ppf(special.ndtr(GRID))
    return lambda score: np.interp(score, GRID, table)


LOG_LENGTH = np.linspace(1.2, 4.8, 181)
ZONE = (np.arange(60) + 0.5) / 60.0 * 40.0
NODES, WEIGHTS = np.polynomial.legendre.leggauss(8)


def core_table(read, log_surface):
    """Return p(contents of a core | ln length, ln surface content), the zone summed."""
    upper, lower = EDGES[:-1, None], EDGES[1:, None]
    depth = 0.5 * (upper + lower) + 0.5 * (lower - upper) * NODES
    below = np.maximum(depth - ZONE[:, None, None], 0.0)
    ratio = below / np.exp(LOG_LENGTH)[:, None, None, None]
    share = special.erfc(ratio) @ WEIGHTS / 2.0  # lengths, zones, layers
    mass = ZONE_LAW.pdf(ZONE)
    found = np.empty((LOG_LENGTH.size, log_surface.size))
    for j, surface in enumerate(np.exp(log_surface)):
        expected = 0.1 + (surface - 0.1) * share
        sd = SHARE * np.maximum(expected, 0.05 * read.max())
        logs = -0.5 * ((read - expected) / sd) ** 2 - np.log(sd)
        found[:, j] = np.exp(logs.sum(axis=-1)) @ (mass / mass.sum())
    return found


def cores(contents):
    return pd.concat(
        [
            pd.DataFrame(
                {
                    "specimen": name,
                    "strategy": strategy,
                    "depth_from_mm": EDGES[:-1],
                    "depth_to_mm": EDGES[1:],
                    "chloride_pct_binder": read,
                    "error_share": SHARE,
                    "exposure_yr": AGE,
                }
            )
            for name, (strategy, read) in contents.items()
        ],
        ignore_index=True,
    )


def normal_grid(size):
    at = np.linspace(-5.0, 5.0, size)
    mass = np.exp(-0.5 * at**2)
    return at, mass / mass.sum()


def sampled(log_likelihood, dimensions):
    """Run emcee from the prior; return draws (steps, walkers, d) and effective draws by score."""

    def log_density(p):
        total = log_likelihood(p.T) - 0.5 * np.sum(p**2, axis=1)
        return np.where(np.isfinite(total), total, -np.inf)

    rng = np.random.default_rng(1)
    walkers = 48
    sampler = emcee.EnsembleSampler(walkers, dimensions, log_density, vectorize=True)
    sampler.random_state = np.random.RandomState(1).get_state()
    sampler.run_mcmc(0.5 * rng.standard_normal((walkers, dimensions)), STEPS)
    chain = sampler.get_chain(discard=STEPS // 5)
    time = sampler.get_autocorr_time(discard=STEPS // 5, quiet=True)
    return chain, chain.shape[0] * walkers / time


def depassivated(log_taus, surface, diffusivity, *, cover, cover_sd, u):
    """Return P at tau over D_ref, the cover integrated; n draws, k points u (k, 4)."""
    critical, zone = CRITICAL.ppf(u[:, 0]), ZONE_LAW.ppf(u[:, 1])
    share = (critical - 0.1) / np.maximum(surface - 0.1, 1e-9)
    reach = 2.0 * special.erfcinv(np.minimum(share, 1.0))
    front = zone + reach * np.sqrt(np.exp(log_taus)[:, None] * np.maximum(diffusivity, 0.0))
    front = np.where(share >= 1.0, -np.inf, front)
    return special.ndtr((front - cover) / cover_sd).mean(axis=1)


def distances(own, chain, effective, result):
    """Return how far means and spreads of the scores (d, n) lie from emcee's, in their errors."""
    ours = result.run["effective_draws"]
    theirs = chain.reshape(-1, chain.shape[2]).T
    error = theirs.std(axis=1) * np.sqrt(1.0 / effective + 1.0 / ours)
    mean, spread = np.mean(own, axis=1), np.std(own, axis=1)
    # that of a spread is at most this, for draws near a normal distribution
    return np.array([mean - theirs.mean(axis=1), spread - theirs.std(axis=1)]) / error


def agree(own, chain, effective, result):
    assert min(effective) > 200.0
    assert np.abs(distances(own, chain, effective, result)).max() < 4.0


def agree_in_probability(result, strategy, theirs, effective):
    row = result.strategies.set_index("strategy").loc[strategy]
    error = theirs.std() * np.sqrt(1.0 / min(effective) + 1.0 / result.run["effective_draws"])
    assert abs(row["probability_after"] - theirs.mean()) < 4.0 * error
    assert abs(row["probability_before"] - theirs.mean()) > 6.0 * error  # the data moved it


def score_of(law, values):
    return special.ndtri(law.cdf(values))


@pytest.fixture
def small(little_beside, monkeypatch):
    monkeypatch.setattr(epistemic_band, "BAND_OUTER_POINTS", 16)
    return {"sampling.points": 512, "sampling.repeats": 8}


def test_the_inspected_wall_by_two_cores_and_its_cover(small):
    case = stripwise.load("scenarios/inspections/inspected-wall.toml").replace(small)
    contents = {
        "C1": ("Forms 72 h", np.array([2.6, 1.9, 0.55])),
        "C2": ("Forms 24 h", np.array([2.9, 2.3, 0.95])),
    }
    readings = np.array([49.0, 53.0, 61.0, 50.0, 47.0, 55.0])
    cover = pd.DataFrame({"cover_mm": readings, "error_mm": 2.0, "effective_points": 6})
    result = stripwise.update(case, [cores(contents), cover])

    # surface content lognormal 1.8, 0.40, a share 0.6 of it between walls
    s = np.sqrt(np.log1p(0.16))
    middle = np.log(1.8) - 0.5 * s * s
    log_surface = np.linspace(middle - 5.0 * s, middle + 6.0 * s, 240)
    between = np.linspace(-5.0, 6.0, 56)
    gap = (log_surface[:, None] - middle - s * np.sqrt(0.6) * between) / (s * np.sqrt(0.4))
    mass = np.exp(-0.5 * gap**2)
    splines = {
        strategy: interpolate.RectBivariateSpline(
            LOG_LENGTH,
            between,
            np.log(core_table(read, log_surface) @ (mass / mass.sum(axis=0)) + 1e-300),
        )
        for strategy, read in contents.values()
    }
    along, weights = normal_grid(17)
    exponent = exponents(0.45, 0.06)

    def diffusivity(score):  # normal 3.0e-12, 0.25, half of it between walls
        return 3.0e-12 * (1.0 + 0.25 * np.sqrt(0.5) * score)

    def log_likelihood(z):
        total = -0.5 * np.sum((readings[:, None] - 55.0 - 4.0 * z[6]) ** 2, axis=0) / 53.0
        d = np.maximum(diffusivity(z[1][:, None] + along), 1e-15)
        for strategy, hours in (("Forms 72 h", 72.0), ("Forms 24 h", 24.0)):
            tau = log_tau(z[3:6], exponent(z[2]), hours, AGE)
            length = np.log(2.0) + 0.5 * (tau[:, None] + np.log(d))
            logs = splines[strategy].ev(length, np.broadcast_to(z[0][:, None], length.shape))
            total = total + np.log(np.exp(logs) @ weights + 1e-300)
        return total

    chain, effective = sampled(log_likelihood, 7)
    table = result.posterior
    own = [
        table["exposure.surface_chloride.wall_score"],
        table["concrete.diffusivity.wall_score"],
        score_of(beta(0.45, 0.06), table["concrete.ageing_exponent"]),
        (table["concrete.temperature_coefficient_K"] - 4800.0) / 700.0,
        table["curing.law"],
        table["curing.early_slope"],
        table["reinforcement.cover.mean_sd_mm"] / 4.0,
    ]
    agree(own, chain, effective, result)
    z = chain[:: chain.shape[0] // 40].reshape(-1, 7).T  # every walker
    u = stats.qmc.Sobol(4, rng=1).random(512)
    w = special.ndtri(u[:, 2:])
    surface = np.exp(middle + s * (np.sqrt(0.6) * z[0][:, None] + np.sqrt(0.4) * w[:, 0]))
    d = diffusivity(z[1][:, None] + w[:, 1])
    tau = log_tau(z[3:6], exponent(z[2]), 72.0, 75.0)
    mean_cover = 55.0 + 4.0 * z[6][:, None]
    p = depassivated(tau, surface, d, cover=mean_cover, cover_sd=7.0, u=u)
    agree_in_probability(result, "Forms 72 h", p, effective)


def test_the_garage_wall_by_two_cores_and_a_half_cell_survey(small):
    # surface content and diffusivity vary along this wall alone
    case = stripwise.load("scenarios/garage-wall.toml").replace(small)
    contents = {
        "C1": ("Forms 24 h", np.array([1.3, 1.05, 0.62])),
        "C2": ("Forms 24 h", np.array([1.9, 1.4, 0.7])),
    }
    survey = pd.DataFrame(
        [
            {
                "area": "bay 1",
                "strategy": "Forms 24 h",
                "points": 60,
                "active_points": 21,
                "effective_points": 30,
                "exposure_yr": 30.0,
                "detection": 0.9,
                "false_alarm": 0.06,
            }
        ]
    )
    result = stripwise.update(case, [cores(contents), survey], as_scatter=True)

    # all of it depends on the unknowns through ln tau over D_ref alone
    s = np.sqrt(np.log1p(0.35**2))
    middle = np.log(1.5) - 0.5 * s * s
    log_surface = np.linspace(middle - 5.0 * s, middle + 5.0 * s, 200)
    mass = np.exp(-0.5 * ((log_surface - middle) / s) ** 2)
    along, weights = normal_grid(101)
    log_d = np.log(np.maximum(5.0e-12 * (1.0 + 0.2 * along), 1e-15))
    taus = np.linspace(26.0, 34.0, 161)
    by_tau = 0.0
    for _, read in contents.values():
        by_length = core_table(read, log_surface) @ (mass / mass.sum())
        curve = interpolate.CubicSpline(LOG_LENGTH, np.log(by_length + 1e-300))
        at = np.log(2.0) + 0.5 * (taus[:, None] + log_d)
        by_tau = by_tau + np.log(np.exp(curve(np.clip(at, 1.2, 4.8))) @ weights + 1e-300)
    u = stats.qmc.Sobol(4, rng=1).random(4096)
    w = special.ndtri(u[:, 2:])
    surface = np.exp(middle + s * w[:, 0])
    d = 5.0e-12 * (1.0 + 0.2 * w[:, 1])
    p_by_tau = depassivated(taus, surface, d, cover=60.0, cover_sd=8.0, u=u)
    exponent = exponents(0.40, 0.03)

    def log_likelihood(z):
        a = exponent(z[0])
        total = np.interp(log_tau(z[1:4], a, 24.0, AGE), taus, by_tau)
        p = np.interp(log_tau(z[1:4], a, 24.0, 30.0), taus, p_by_tau)
        active = 0.9 * p + 0.06 * (1.0 - p)
        return total + 0.5 * (21.0 * np.log(active) + 39.0 * np.log1p(-active))

    chain, effective = sampled(log_likelihood, 4)
    table = result.posterior
    own = [
        score_of(beta(0.40, 0.03), table["concrete.ageing_exponent"]),
        (table["concrete.temperature_coefficient_K"] - 4800.0) / 700.0,
        table["curing.law"],
        table["curing.early_slope"],
    ]
    agree(own, chain, effective, result)
    z = chain.reshape(-1, 4).T
    p = np.interp(log_tau(z[1:4], exponent(z[0]), 24.0, 50.0), taus, p_by_tau)
    agree_in_probability(result, "Forms 24 h", p, effective)
