"""Parameters of a Thevenin equivalent circuit, from the voltage after steps of current.

Model, charge current positive, for one voltage channel (pack or group)::

    V(t) = V0 + K q(t) + c q(t)^2/2 + b t + R0 I(t) + sum_i R_i sum_j dI_j (1 - exp(-(t - t_j)/tau_i)),   t > t_j,   i = 1 or 1, 2

I(t) is piecewise constant with steps dI_j at t_j (load on, load off, earlier steps still remembered by the branches), so
that a pulse and the rest after it are one experiment; q is the charge since the first step, K the slope of the open-circuit voltage
against charge, c its change over a long load, b what the channel still drifted before the load. Superposition of step responses of a linear network (textbook;
Thevenin model of a cell with one or two RC branches, e.g. Plett, Battery Management Systems vol. 1, ch. 2, from memory).

The parameters are those of a direct-current model on the time scale of the log. Whatever is faster than the sampling is part of
R0; R0 is not the a.c. resistance at 1 kHz. Diffusion is no exponential: tau2 of a real cell belongs to the window it was fitted on.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

SECONDS_PER_HOUR = 3600.0
SAMPLING_MAX_S = 1.05
"""Slowest sampling after the edge at which R0 is told from the fastest branch at all. [s] (1 Hz with clock jitter.)"""
SAMPLES_MIN = 20
SAMPLING_TO_TAU = 0.5
"""The median interval in the first 10 s after an edge must be below this share of tau1."""
R0_RELATIVE_MAX, BRANCH_RELATIVE_MAX = 0.10, 0.25
"""Largest relative standard uncertainty (fit alone) of R0, and of each branch resistance and time constant."""
CORRELATION_MAX = 0.99
"""Largest correlation between any two of the logarithms of R0, Ri, tau_i."""
SEPARATION_MIN = 2.5
"""Smallest tau2/tau1: closer ones cannot be told from a single branch."""
NOISE_RATIO_MAX, MISFIT_MAX = 1.5, 0.003
"""Residuals fit if their r.m.s. is below this many times the noise, or below this share of the response (linearity of the
voltmeter and of the cell). Common practice, no source, as for the limits above."""
SEEN_MIN = 10.0
"""Polarisation below this many standard deviations of one reading: the noise is what stands in the way."""
F_LEVEL = 0.001
"""Level of the F-test by which a second branch must earn its two parameters (Draper and Smith, Applied Regression Analysis, extra sum of
squares; from memory). Strict, as the test is not exact: tau2 does not exist where R2 = 0."""
COVERAGE_FACTOR = 1.96
_FLOOR_SHARE = 1e-5  # of the response: below it residuals are arithmetic or rounding, and no evidence of a branch


@dataclass(frozen=True, slots=True, eq=False)
class Experiment:
    """Samples and current of one experiment, common to all channels.

    Attributes
    ----------
    time_s : ndarray, shape (n,)
        Instants of the samples, increasing. [s]
    step_at_s, step_a, u_step_at_s : ndarray, shape (m,)
        Instants and heights of the steps of current, and the standard uncertainty of each instant (0 = known). [s], [A], [s]
    initial_a : float
        Current before the first step, taken to have flowed for ever. [A]
    first : int
        Index of the first step that belongs to the experiment; those before are history.
    """

    time_s: np.ndarray
    step_at_s: np.ndarray
    step_a: np.ndarray
    u_step_at_s: np.ndarray
    initial_a: float = 0.0
    first: int = 0

    @property
    def begins_s(self) -> float:
        """Instant of the first step of the experiment. [s]"""
        return float(self.step_at_s[self.first])

    @property
    def window_s(self) -> float:
        """From the first step of the experiment to its last sample. [s]"""
        return float(self.time_s[-1] - self.begins_s)

    @property
    def sampling_s(self) -> float:
        """Median interval of the samples in the first 10 s after the first step (of the first three if there are fewer). [s]"""
        after = self.time_s[self.time_s >= self.begins_s]
        early = after[: max(3, int(np.count_nonzero(after <= self.begins_s + 10.0)))]
        return float(np.median(np.diff(early))) if early.size > 1 else np.inf

    def current_a(self) -> np.ndarray:
        """Current at each sample, shape (n,). [A]"""
        return self.initial_a + (self.time_s[:, None] >= self.step_at_s) @ self.step_a

    def charge_ah(self) -> np.ndarray:
        """Charge since the first step of the experiment at each sample (negative before it under load), shape (n,). [Ah]"""
        ends = np.append(self.time_s, self.begins_s)
        whole = self.initial_a * ends + np.maximum(ends[:, None] - self.step_at_s, 0.0) @ self.step_a
        return (whole[:-1] - whole[-1]) / SECONDS_PER_HOUR

    def elapsed_s(self) -> np.ndarray:
        """Time since each step, 0 before it, shape (n, m). [s]"""
        return np.maximum(self.time_s[:, None] - self.step_at_s, 0.0)


@dataclass(frozen=True, slots=True)
class Prior:
    """What is known of the nuisance parameters of one channel before the fit: value and standard uncertainty.

    ``slope_v_per_ah`` is K; without a discharge curve 0 and a bound over sqrt(3) (rectangular). ``drift_v_per_s`` is b, ``u_bend_v_per_ah2`` the
    standard uncertainty of c, whose value is 0; u = 0 leaves either out.
    """

    slope_v_per_ah: float = 0.0
    u_slope_v_per_ah: float = 1.0
    drift_v_per_s: float = 0.0
    u_drift_v_per_s: float = 0.0
    u_bend_v_per_ah2: float = 0.0


@dataclass(frozen=True, slots=True)
class Circuit:
    """Parameters of one channel, or why there are none.

    ``order`` is the number of branches, 0 if withheld. ``u_fit`` are relative standard uncertainties of r0, r1, tau1, r2, tau2 from the
    fit (covariance at the solution times ``inflation`` squared, nuisances included). ``residual_v`` is the r.m.s. residual, ``noise_v`` the noise of one reading as the residuals'
    second differences show it, ``correlation`` that between successive residuals, ``correlation_max`` the largest between two of
    the logarithms of the parameters. ``f_ratio`` is the F statistic of the second branch.
    """

    order: int
    reasons: tuple[str, ...]
    r0_ohm: float = np.nan
    branches: tuple[tuple[float, float], ...] = ()
    u_fit: tuple[float, ...] = ()
    residual_v: float = np.nan
    noise_v: float = np.nan
    correlation: float = 0.0
    inflation: float = 1.0
    correlation_max: float = np.nan
    f_ratio: float = np.nan


def branch_response(experiment: Experiment, tau_s: float) -> np.ndarray:
    """Voltage over a branch of 1 ohm at each sample: sum_j dI_j (1 - exp(-(t - t_j)/tau)), shape (n,). [V]"""
    return -np.expm1(-experiment.elapsed_s() / tau_s) @ experiment.step_a


@dataclass(slots=True, eq=False)
class _Problem:
    """Least squares of one channel in the scaled parameters V0, K, [b], [c], instants, log R0, log R1, log tau1, ..."""

    experiment: Experiment
    voltage_v: np.ndarray
    weight: np.ndarray
    prior: Prior
    scale_v: float
    elapsed: np.ndarray = field(init=False)
    current: np.ndarray = field(init=False)
    charge: np.ndarray = field(init=False)
    open_steps: np.ndarray = field(init=False)
    u_instant: np.ndarray = field(init=False)
    offset_v: float = field(init=False)

    def __post_init__(self) -> None:
        e = self.experiment
        self.elapsed, self.current, self.charge = e.elapsed_s(), e.current_a(), e.charge_ah()
        inside = np.arange(e.step_a.size) >= e.first
        self.open_steps = np.flatnonzero(inside & (e.u_step_at_s > 0.0))
        self.u_instant = e.u_step_at_s[self.open_steps] * np.sqrt(self.open_steps.size)
        self.offset_v = float(np.mean(self.voltage_v))

    @property
    def drifts(self) -> bool:
        return self.prior.u_drift_v_per_s > 0.0

    @property
    def bends(self) -> bool:
        return self.prior.u_bend_v_per_ah2 > 0.0

    @property
    def nuisances(self) -> int:
        return 2 + self.drifts + self.bends + self.open_steps.size

    def residual_and_jacobian(self, x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Model less reading over the weight, then the pseudo-observations of the nuisances (each in units of its own u)."""
        e, p, n = self.experiment, self.prior, self.nuisances
        since = self.experiment.time_s - e.begins_s
        logs = np.clip(x[n:], -25.0, 16.0)
        r = np.exp(logs)
        slope = p.slope_v_per_ah + p.u_slope_v_per_ah * x[1]
        model = self.offset_v + self.scale_v * x[0] + slope * self.charge + r[0] * self.current
        jacobian = np.empty((self.voltage_v.size, x.size))
        jacobian[:, 0], jacobian[:, 1] = self.scale_v, p.u_slope_v_per_ah * self.charge
        if self.drifts:
            model = model + (p.drift_v_per_s + p.u_drift_v_per_s * x[2]) * since
            jacobian[:, 2] = p.u_drift_v_per_s * since
        if self.bends:
            bend = 0.5 * p.u_bend_v_per_ah2 * self.charge**2
            model = model + x[2 + self.drifts] * bend
            jacobian[:, 2 + self.drifts] = bend
        moved = self.elapsed
        first_instant = n - self.open_steps.size
        if self.open_steps.size:
            shift = np.zeros(e.step_a.size)
            shift[self.open_steps] = self.u_instant * x[first_instant:n]
            moved = np.where(self.elapsed > 0.0, np.maximum(self.elapsed - shift, 0.0), 0.0)
            jacobian[:, first_instant:n] = 0.0
        jacobian[:, n] = r[0] * self.current
        for k in range(1, r.size, 2):
            ohm, tau = r[k], r[k + 1]
            left = np.exp(-moved / tau)
            seen = ohm * ((1.0 - left) @ e.step_a)
            model = model + seen
            jacobian[:, n + k] = seen
            jacobian[:, n + k + 1] = -ohm * ((moved / tau * left) @ e.step_a)
            if self.open_steps.size:
                moving = (left * (moved > 0.0))[:, self.open_steps]
                jacobian[:, first_instant:n] -= moving * e.step_a[self.open_steps] * self.u_instant * ohm / tau
        pseudo = np.arange(1, n)
        rows = np.zeros((pseudo.size, x.size))
        rows[np.arange(pseudo.size), pseudo] = 1.0
        residual = np.concatenate(((model - self.voltage_v) / self.weight, x[pseudo]))
        return residual, np.concatenate((jacobian / self.weight[:, None], rows))


@dataclass(slots=True, eq=False)
class _Fit:
    problem: _Problem
    x: np.ndarray
    residual: np.ndarray  # data rows, times the square root of the samples averaged: scatter of one reading [V]
    covariance: np.ndarray
    noise_v: float
    correlation: float
    inflation: float
    correlation_max: float

    @property
    def logs(self) -> np.ndarray:
        return self.x[self.problem.nuisances :]

    @property
    def rms_v(self) -> float:
        return float(np.sqrt(np.mean(self.residual**2)))

    @property
    def u_logs(self) -> np.ndarray:
        n = self.problem.nuisances
        return np.sqrt(np.maximum(np.diag(self.covariance)[n:], 0.0))


def _largest_correlation(jacobian: np.ndarray, problem: _Problem) -> float:
    """Between two of the circuit's own parameters, at given instants: an instant that is not known moves R0 and R1 together, and is in
    their uncertainties already."""
    n = problem.nuisances
    keep = np.r_[: n - problem.open_steps.size, n : jacobian.shape[1]]
    covariance = np.linalg.inv(jacobian[:, keep].T @ jacobian[:, keep])[n - problem.open_steps.size :, n - problem.open_steps.size :]
    variance = np.diag(covariance)
    if not np.all(np.isfinite(covariance)) or np.any(variance <= 0.0):
        return 1.0
    u = np.sqrt(variance)
    return float(np.max(np.abs(covariance / u[:, None] / u)[np.triu_indices(u.size, 1)]))


def _starts(
    experiment: Experiment, voltage_v: np.ndarray, counts: np.ndarray, priors: tuple[Prior, ...], order: int, number: int
) -> list[list[np.ndarray]]:
    """Best places to start from, per channel: log R0, log R1, log tau1, ... over a grid of time constants.

    For given time constants the rest is linear; all channels and all points of the grid are solved at once (variable projection).
    """
    taus = np.geomspace(
        max(1.0 * experiment.sampling_s, 0.02), 2.0 * max(experiment.window_s, 4.0 * experiment.sampling_s), 14
    )
    known = [np.ones(experiment.time_s.size), experiment.charge_ah(), experiment.current_a()]
    basis = np.column_stack([*known, *[branch_response(experiment, tau) for tau in taus]])
    size = np.sqrt(counts @ basis**2 / counts.sum()) + 1e-30
    basis = basis / size
    y = voltage_v - voltage_v.mean(axis=0)
    y = y - np.outer(known[1], [p.slope_v_per_ah for p in priors])
    gram, cross = (basis * counts[:, None]).T @ basis, (basis * counts[:, None]).T @ y
    # A soft hold on the slope: as its prior, against a noise of a thousandth of the response.
    spread = np.ptp(y, axis=0) * 1e-3 + 1e-12
    grip = float(np.median((spread / np.array([p.u_slope_v_per_ah for p in priors])) ** 2)) / size[1] ** 2
    gram[1, 1] += grip
    near = 1 if order == 2 else 0
    sets = [(a,) for a in range(taus.size)] if order == 1 else [
        (a, b) for a in range(taus.size) for b in range(a + 1 + near, taus.size)
    ]
    columns = np.array([[0, 1, 2, *(3 + k for k in chosen)] for chosen in sets])
    part = gram[columns[:, :, None], columns[:, None, :]] + 1e-10 * counts.sum() * np.eye(columns.shape[1])
    right = cross[columns]
    solved = np.linalg.solve(part, right)
    left = np.sum(counts[:, None] * y**2, axis=0) - np.sum(solved * right, axis=1)
    ohm = solved[:, 2:, :] / size[columns][:, 2:, None]
    total = np.maximum(np.max(np.abs(ohm), axis=1, keepdims=True), 1e-12)
    left = left * (1.0 + 10.0 * np.sum(np.maximum(-ohm / total, 0.0), axis=1))
    result = []
    for c in range(y.shape[1]):
        picked: list[int] = []
        for s in np.argsort(left[:, c]):
            if all(max(abs(a - b) for a, b in zip(sets[s], sets[other])) > 2 for other in picked):
                picked.append(int(s))
            if len(picked) == number:
                break
        starts = []
        for s in picked:
            value = np.maximum(ohm[s, :, c], 0.02 * total[s, 0, c])
            start = [np.log(value[0])]
            for k, tau in enumerate(sets[s]):
                start += [np.log(value[1 + k]), np.log(taus[tau])]
            starts.append(np.array(start))
        result.append(starts)
    return result


def _successive(residual: np.ndarray) -> tuple[float, float]:
    """Correlation of successive residuals (0 unless significant) and by how much it inflates a standard uncertainty.

    The larger of sqrt((1 + rho)/(1 - rho)), first-order autoregressive errors, and sqrt(1 + 2 sum rho_k) up to the first lag below 0.05
    (integrated autocorrelation; both textbook of time series).
    """
    total = float(residual @ residual)
    if residual.size < 5 or total <= 0.0:
        return 0.0, 1.0
    rho = float(residual[1:] @ residual[:-1]) / total
    if rho <= 2.0 / np.sqrt(residual.size):
        return 0.0, 1.0
    size = 2 * residual.size
    spectrum = np.fft.rfft(residual, size)
    lags = np.fft.irfft(spectrum * spectrum.conj(), size)[1 : residual.size // 2] / total
    low = np.flatnonzero(lags < 0.05)
    reach = int(low[0]) if low.size else lags.size
    rho = min(rho, 0.98)
    return rho, float(np.sqrt(max((1.0 + rho) / (1.0 - rho), 1.0 + 2.0 * np.sum(lags[:reach]))))


def _second_differences(values: np.ndarray) -> float:
    """White noise of a column by the median absolute second difference."""
    return float(1.4826 * np.median(np.abs(np.diff(values, 2))) / np.sqrt(6.0)) if values.size > 4 else 0.0


def _rounding(problem: _Problem, x: np.ndarray, covariance: np.ndarray, jacobian: np.ndarray, step_v: float, noise_v: float) -> np.ndarray:
    """What rounding to steps of q does to the parameters, as a covariance.

    The mean of rounded readings is off by A sin(2 pi V/q + phase), A = q/pi exp(-2 (pi s/q)^2) at a noise s (first term of the Fourier series of
    the sawtooth, textbook theory of quantisation, from memory): the same for neighbours where the voltage hardly moves, so that no number of readings
    removes it. The phase is taken as unknown (rounding or cutting off).
    """
    s2 = max(noise_v**2 / step_v**2 - 1.0 / 12.0, 0.0)
    height = step_v / np.pi * np.exp(-2.0 * np.pi**2 * s2)
    residual, _ = problem.residual_and_jacobian(x)
    n = problem.voltage_v.size
    turn = 2.0 * np.pi * (residual[:n] * problem.weight + problem.voltage_v) / step_v
    patterns = height * np.column_stack((np.sin(turn), np.cos(turn))) / problem.weight[:, None]
    moved = covariance @ (jacobian[:n].T @ patterns)
    return 0.5 * moved @ moved.T


def _solve(problem: _Problem, starts: list[np.ndarray], root: np.ndarray, floor_v: float, step_v: float) -> _Fit | None:
    """Levenberg-Marquardt (scipy, MINPACK) from each start; the best, with its covariance."""
    from scipy.optimize import least_squares

    n = problem.nuisances
    best = None
    sigma = max(3.0 * floor_v, 1e-3 * problem.scale_v)
    for attempt in range(3):
        problem.weight = sigma / root
        guesses = starts if best is None else [best.x[n:]]
        results = []
        for guess in guesses:
            x0 = np.concatenate((np.zeros(n) if best is None else best.x[:n], guess))
            if best is None:
                # The level is linear: start from where the rest of the model leaves it.
                residual, _ = problem.residual_and_jacobian(x0)
                x0[0] -= float(np.mean(residual[: root.size] * problem.weight)) / problem.scale_v
            memory: dict[bytes, tuple[np.ndarray, np.ndarray]] = {}

            def both(x: np.ndarray, memory: dict = memory) -> tuple[np.ndarray, np.ndarray]:
                key = x.tobytes()
                if key not in memory:
                    memory.clear()
                    memory[key] = problem.residual_and_jacobian(x)
                return memory[key]

            results.append(
                least_squares(
                    lambda x: both(x)[0], x0, jac=lambda x: both(x)[1], method="lm", max_nfev=120, xtol=1e-13, ftol=1e-14, gtol=1e-14
                )
            )
        best = min(results, key=lambda found: found.cost)
        if not np.all(np.isfinite(best.x)):
            return None
        data = best.fun[: root.size] * sigma
        free = max(root.size - best.x.size, 1)
        scatter = float(np.sqrt(data @ data / free))
        rho, inflation = _successive(data)
        wanted = max(scatter, floor_v) * inflation
        if 0.8 * sigma <= wanted <= 1.25 * sigma or attempt == 2:
            break
        sigma = wanted
    x = best.x.copy()
    branches = x[n + 1 :].reshape(-1, 2)
    x[n + 1 :] = branches[np.argsort(branches[:, 1])].ravel()
    problem.weight = wanted / root
    _, jacobian = problem.residual_and_jacobian(x)
    try:
        covariance = np.linalg.inv(jacobian.T @ jacobian)
        largest = _largest_correlation(jacobian, problem)
        if step_v > 0.0:
            with np.errstate(over="ignore", invalid="ignore"):  # of a fit that is all but singular; it is refused by its correlations
                covariance = covariance + _rounding(problem, x, covariance, jacobian, step_v, scatter)
    except np.linalg.LinAlgError:
        return None
    return _Fit(problem, x, data, covariance, max(_second_differences(data), floor_v), rho, inflation, largest)


def _judge(fit: _Fit, experiment: Experiment) -> tuple[str, ...]:
    """Why a fit may not be given; empty if it may."""
    logs, u = fit.logs, fit.u_logs
    taus = np.exp(np.minimum(logs[2::2], 60.0))
    if experiment.sampling_s >= SAMPLING_TO_TAU * taus[0]:
        return ("sampling_too_coarse",)
    scale = fit.problem.scale_v
    if fit.rms_v > max(NOISE_RATIO_MAX * fit.noise_v, MISFIT_MAX * scale):
        return ("poor_fit",)
    if experiment.window_s < taus[-1]:
        return ("response_too_short",)
    wide = u[0] > R0_RELATIVE_MAX or bool(np.any(u[1:] > BRANCH_RELATIVE_MAX)) or not np.all(np.isfinite(u))
    close = taus.size == 2 and taus[1] < SEPARATION_MIN * taus[0]
    if wide or close or fit.correlation_max > CORRELATION_MAX:
        ohm = np.exp(logs[1::2])
        seen = max(np.ptp(r * branch_response(experiment, tau)) for r, tau in zip(ohm, taus))
        if wide and seen < SEEN_MIN * max(fit.rms_v, fit.noise_v):
            return ("noise_too_high",)
        if wide and experiment.window_s < 3.0 * taus[-1]:
            return ("response_too_short",)
        return ("not_identifiable",)
    return ()


def fit_circuits(
    experiment: Experiment,
    voltage_v: np.ndarray,
    priors: tuple[Prior, ...],
    resolution_v: np.ndarray,
    counts: np.ndarray | None = None,
) -> tuple[Circuit, ...]:
    """Equivalent circuit of every channel from one experiment.

    Parameters
    ----------
    experiment : Experiment
        Samples before, during and after the steps of current.
    voltage_v : ndarray, shape (n, channels)
        Finite readings (means of ``counts`` successive readings). [V]
    priors : tuple of Prior
        One per channel.
    resolution_v : ndarray, shape (channels,)
        Step of the readings of each channel, 0 if none is seen. [V]
    counts : ndarray, shape (n,), optional
        Readings behind each sample.

    Returns
    -------
    tuple of Circuit
        One branch unless the second is justified: F-test of the extra sum of squares at the level ``F_LEVEL``, degrees of freedom reduced
        by the correlation of successive residuals. Where the second is justified but not identifiable nothing is given, since the single
        branch would then be a mixture of the two.
        Reasons: ``sampling_too_coarse`` (samples not denser than tau1/2, or than once a second), ``response_too_short`` (window
        shorter than tau of the slowest branch), ``not_identifiable`` (intervals or correlations too large, time constants too close),
        ``poor_fit`` (residuals exceed the noise), ``noise_too_high`` (polarisation does not stand out of the noise), ``no_reading``.

    Notes
    -----
    scipy.optimize.least_squares on the logarithms of resistances and time constants, starts from a grid of time constants.
    Slope K, its change c, drift b and the instants of the steps are fitted along as pseudo-observations with the standard uncertainties they are known
    with (that of an instant times the root of the number of unknown ones: one clock may make them err alike), so the parameters' uncertainties contain theirs (GUM, JCGM 100:2008, 4.3.7 for rectangular ones; from memory). The covariance is (J'J)^-1 with the scatter of the
    residuals themselves, inflated where successive residuals are correlated (misfit), plus what rounding does to slow parts.
    """
    counts = np.ones(experiment.time_s.size) if counts is None else np.asarray(counts, dtype=float)
    channels = voltage_v.shape[1]
    if experiment.time_s.size < SAMPLES_MIN or experiment.sampling_s > SAMPLING_MAX_S:
        return tuple(Circuit(0, ("sampling_too_coarse",)) for _ in range(channels))
    usable = np.all(np.isfinite(voltage_v), axis=0) & (np.ptp(np.nan_to_num(voltage_v), axis=0) > 0.0)
    found: list[Circuit] = [Circuit(0, ("no_reading",)) for _ in range(channels)]
    at = np.flatnonzero(usable)
    if at.size == 0:
        return tuple(found)
    chosen = tuple(priors[c] for c in at)
    first = _starts(experiment, voltage_v[:, at], counts, chosen, 1, 1)
    second = _starts(experiment, voltage_v[:, at], counts, chosen, 2, 2)
    for k, c in enumerate(at):
        found[c] = _fit_channel(experiment, voltage_v[:, c], chosen[k], float(resolution_v[c]), counts, first[k], second[k])
    return tuple(found)


def _fit_channel(
    experiment: Experiment, voltage_v: np.ndarray, prior: Prior, resolution_v: float, counts: np.ndarray,
    first: list[np.ndarray], second: list[np.ndarray],
) -> Circuit:
    from scipy.special import fdtrc

    root = np.sqrt(counts)
    scale = float(np.ptp(voltage_v))
    floor = max(resolution_v / np.sqrt(12.0), _FLOOR_SHARE * scale, 1e-9)
    one = _solve(_Problem(experiment, voltage_v, root, prior, scale), first, root, floor, resolution_v)
    if one is None:
        return Circuit(0, ("not_identifiable",))
    ratio, needed, two = np.nan, False, None
    if one.rms_v > 1.05 * floor:
        two = _solve(_Problem(experiment, voltage_v, root, prior, scale), second, root, floor, resolution_v)
    if two is not None:
        noise = root.size * floor**2 * 0.01
        sum_one, sum_two = float(one.residual @ one.residual) + noise, float(two.residual @ two.residual) + noise
        free = max(root.size / two.inflation**2 - two.x.size, 3.0)
        ratio = max(sum_one - sum_two, 0.0) / 2.0 / (sum_two / free)
        needed = fdtrc(2.0, free, ratio) < F_LEVEL
    fit = two if needed else one
    reasons = _judge(fit, experiment)
    logs, order = np.minimum(fit.logs, 60.0), (fit.logs.size - 1) // 2
    return Circuit(
        0 if reasons else order, reasons, float(np.exp(logs[0])),
        tuple((float(np.exp(logs[1 + 2 * i])), float(np.exp(logs[2 + 2 * i]))) for i in range(order)),
        tuple(float(u) for u in fit.u_logs), fit.rms_v, fit.noise_v, fit.correlation, fit.inflation, fit.correlation_max, float(ratio),
    )


def averaged(
    time_s: np.ndarray, since_edge_s: np.ndarray, values: np.ndarray, share: float = 0.03
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Means over successive samples, ever longer with the time since the last step of current.

    Parameters
    ----------
    time_s, since_edge_s : ndarray, shape (n,)
        Instants, and time since the last step. [s]
    values : ndarray, shape (n, channels)
    share : float
        Length of a bin as a share of the time since the step: 3 % moves an exponential by less than 3e-5 of its height.

    Returns
    -------
    time_s, values, counts : ndarray, shape (m,), (m, channels), (m,)
    """
    starts = bins_of(time_s, since_edge_s, share)
    counts = np.diff(np.append(starts, time_s.size)).astype(float)
    return np.add.reduceat(time_s, starts) / counts, np.add.reduceat(values, starts, axis=0) / counts[:, None], counts


def bins_of(time_s: np.ndarray, since_edge_s: np.ndarray, share: float) -> np.ndarray:
    """First sample of each bin, of bins that grow with the time since the last step of current: ``share`` of it.

    Shapes and units as in :func:`averaged`.
    """
    fresh = np.concatenate(([True], np.diff(since_edge_s) < 0.0))
    # Bins are equal in log(since + a) beyond the point where one would hold more than one sample; a step starts a new bin.
    spacing = float(np.median(np.diff(time_s))) if time_s.size > 1 else 1.0
    cell = np.floor(np.log(np.maximum(since_edge_s, spacing)) / share)
    early = since_edge_s <= spacing / share
    return np.flatnonzero(fresh | early | np.concatenate(([True], np.diff(cell) != 0)))
