"""Peers of drawing: a million samples of twenty mixed variables, and scrambled Sobol' points.

The peers are general-purpose libraries: numpy, scipy.stats and OpenTURNS. All run on one thread in this process, in
turns; the samples are held against the moments that were asked for.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from importlib.util import find_spec

import numpy as np
from scipy import stats

from tests.benchmarks.speed.demo import FloatArray
from tests.benchmarks.speed.rows import Bench, Row
from tests.benchmarks.speed.timing import in_turns, median_ratio
from yieldsim.design.reading import design_from_toml
from yieldsim.population.points import coordinate, point_set
from yieldsim.population.population import Population

# Twenty variables: how many of each shape, its keys in the configuration, mean and standard deviation.
SIGMA, WIDTH = 0.02, 0.05
TRUNCATED = math.sqrt(1.0 - 6.0 * stats.norm.pdf(3.0) / (2.0 * stats.norm.cdf(3.0) - 1.0))
SHAPES = {
    "normal": (6, f'{{ shape = "normal", sigma = "{100 * SIGMA:g} %" }}', 0.0, SIGMA),
    "truncated": (
        5, f'{{ shape = "truncated normal", sigma = "{100 * SIGMA:g} %", within = "±{300 * SIGMA:g} %" }}',
        0.0, SIGMA * TRUNCATED,
    ),
    "uniform": (5, f'{{ shape = "uniform", within = "±{100 * WIDTH:g} %" }}', 0.0, WIDTH / math.sqrt(3.0)),
    "triangular": (2, f'{{ shape = "triangular", within = "±{100 * WIDTH:g} %" }}', 0.0, WIDTH / math.sqrt(6.0)),
    "lognormal": (
        2, f'{{ shape = "lognormal", sigma = {SIGMA:g} }}', math.expm1(SIGMA**2 / 2.0),
        math.exp(SIGMA**2 / 2.0) * math.sqrt(math.expm1(SIGMA**2)),
    ),
}  # fmt: skip
KINDS = tuple(kind for kind, (count, *_) in SHAPES.items() for _ in range(count))
PARAMETERS = (
    ("harvester", "coil_resistance", "100 ohm"), ("harvester", "coil_inductance", "27 mH"),
    ("harvester", "transit_time", "2.4 ms"), ("harvester", "peak_emf", "16 V"),
    ("rectifier", "forward_drop", "0.4 V"), ("rectifier", "reverse_leakage", "2 uA"),
    ("storage", "capacitance", "47 uF"), ("storage", "esr", "40 mohm"), ("storage", "insulation", "100 ohm*F"),
    ("regulator", "output", "2.5 V"), ("regulator", "quiescent", "1.2 uA"), ("regulator", "off_current", "0.3 uA"),
    ("regulator", "start_voltage", "2.6 V"), ("regulator", "stop_voltage", "1.7 V"),
    ("regulator", "start_delay", "120 us"), ("regulator", "output_capacitance", "1 uF"),
    ("radio.boot", "duration", "3.8 ms"), ("radio.boot", "current", "3.4 mA"),
    ("radio.transmit", "current", "9 mA"), ("radio.listen", "current", "8.2 mA"),
)  # fmt: skip
POINT_DIMENSIONS = 20


def _value(place: int) -> str:
    _, key, nominal = PARAMETERS[place]
    return f'{key} = {{ nominal = "{nominal}", tolerance = {SHAPES[KINDS[place]][1]} }}\n'


def text_of_twenty() -> str:
    """A configuration with one tolerance at unit level for each of the twenty."""
    keys = {room: "".join(_value(k) for k, p in enumerate(PARAMETERS) if p[0] == room) for room, *_ in PARAMETERS}
    return (
        'title = "Twenty tolerances"\n[conditions]\ntemperatures = ["25 degC"]\nages = ["0 yr"]\n'
        f'[harvester]\nkind = "electromagnetic"\n{keys["harvester"]}'
        f'[rectifier]\nkind = "full bridge"\n{keys["rectifier"]}'
        f"[storage]\n{keys['storage']}"
        f'[regulator]\nkind = "linear"\n{keys["regulator"]}'
        '[radio]\nminimum_supply = "1.9 V"\n'
        f'[[radio.sequence]]\nstep = "boot"\n{keys["radio.boot"]}'
        '[[radio.sequence]]\nstep = "transmit"\nframe = { octets = 31, bit_rate = "250 kbit/s", overhead_octets = 6 }\n'
        f"{keys['radio.transmit']}"
        '[[radio.sequence]]\nstep = "listen"\n'
        'acknowledgement = { earliest = "0.544 ms", spread = "0.3 ms", timeout = "0.864 ms" }\n'
        f"{keys['radio.listen']}"
    )


# ---- the peers ----


def by_numpy(n: int) -> FloatArray:
    """`numpy.random.Generator`; a truncated normal by drawing again what falls outside."""
    rng = np.random.default_rng(1)
    x = np.empty((len(KINDS), n))
    for row, kind in zip(x, KINDS, strict=True):
        if kind == "uniform":
            row[:] = rng.uniform(-WIDTH, WIDTH, n)
        elif kind == "triangular":
            row[:] = rng.triangular(-WIDTH, 0.0, WIDTH, n)
        else:
            rng.standard_normal(out=row)
            while kind == "truncated" and (outside := np.flatnonzero(np.abs(row) > 3.0)).size:
                row[outside] = rng.standard_normal(outside.size)
            row *= SIGMA
            if kind == "lognormal":
                np.expm1(row, out=row)
    return x.T


def by_scipy(n: int) -> FloatArray:
    """`scipy.stats`, the distributions' own ``rvs``."""
    rng = np.random.default_rng(1)
    laws = {
        "normal": stats.norm(scale=SIGMA),
        "truncated": stats.truncnorm(-3.0, 3.0, scale=SIGMA),
        "uniform": stats.uniform(-WIDTH, 2.0 * WIDTH),
        "triangular": stats.triang(0.5, -WIDTH, 2.0 * WIDTH),
        "lognormal": stats.lognorm(SIGMA, loc=-1.0),
    }
    x = np.empty((len(KINDS), n))
    for row, kind in zip(x, KINDS, strict=True):
        row[:] = laws[kind].rvs(n, random_state=rng)
    return x.T


def by_openturns(n: int) -> FloatArray:
    """A joint distribution of independent margins."""
    import openturns as ot

    ot.RandomGenerator.SetSeed(1)
    laws = {
        "normal": ot.Normal(0.0, SIGMA),
        "truncated": ot.TruncatedNormal(0.0, SIGMA, -3.0 * SIGMA, 3.0 * SIGMA),
        "uniform": ot.Uniform(-WIDTH, WIDTH),
        "triangular": ot.Triangular(-WIDTH, 0.0, WIDTH),
        "lognormal": ot.LogNormal(0.0, SIGMA, -1.0),
    }
    return np.asarray(ot.JointDistribution([laws[kind] for kind in KINDS]).getSample(n))


def _check(name: str, x: FloatArray, kinds: tuple[str, ...]) -> None:
    """Mean and standard deviation of every column, to six standard errors and 1 %."""
    for column, kind in zip(x.T, kinds, strict=True):
        _, _, mean, sd = SHAPES[kind]
        if abs(column.mean() - mean) > 6.0 * sd / math.sqrt(len(x)) or abs(column.std() / sd - 1.0) > 0.01:
            raise RuntimeError(f"{name}: {kind} has mean {column.mean():.3g} and deviation {column.std():.3g}")


def _openturns() -> bool:
    return find_spec("openturns") is not None


def samples(bench: Bench) -> list[Row]:
    """Their own draws by address against three libraries."""
    n = 100_000 if bench.quick else 1_000_000
    population = Population(design_from_toml(text_of_twenty()), 20260101)
    kinds = _kinds_of(population)
    units = np.arange(n)

    def own() -> FloatArray:
        return population.unit_deviations(units)

    peers: dict[str, Callable[[int], FloatArray]] = {"numpy": by_numpy, "scipy.stats": by_scipy}
    if _openturns():
        peers["OpenTURNS"] = by_openturns
    _check("own draws", own(), kinds)
    for name, peer in peers.items():
        _check(name, peer(n), KINDS)
    times = in_turns(max(bench.repeats // 2, 2), own, *(lambda peer=peer: peer(n) for peer in peers.values()))
    what = f"{n:.0e} x {len(KINDS)} mixed samples"
    rows = [
        Row(f"drawing {what}: {name} over own", median_ratio(theirs, times[0]), "x", note="above 1 the peer is slower")
        for name, theirs in zip(peers, times[1:], strict=True)
    ]
    if not _openturns():
        rows.append(Row(f"drawing {what}: OpenTURNS over own", None, "x", note="openturns is not installed"))
    return rows


def _kinds_of(population: Population) -> tuple[str, ...]:
    """The shape of each of the population's variables, which come in the order of the design."""
    step = {"radio.boot": "radio.boot", "radio.transmit": "radio.transmit", "radio.listen": "radio.listen"}
    place = {f"{step.get(room, room)}.{key}": k for k, (room, key, _) in enumerate(PARAMETERS)}
    names = [variable.name for variable in population.unit_variables]
    if sorted(names) != sorted(place):
        raise RuntimeError(f"the twenty are {names}")
    return tuple(KINDS[place[name]] for name in names)


# ---- Sobol' points ----


def _integral(x: FloatArray) -> float:
    """Error of the mean of prod(1 + 0.5 (x_i - 1/2)), which is 1, by the points."""
    return float(np.mean(np.prod(1.0 + 0.5 * (x - 0.5), axis=1)) - 1.0)


def points(bench: Bench) -> list[Row]:
    """Scrambled Sobol' points: those of named coordinates against two libraries."""
    bits = 14 if bench.quick else 20
    n, d = 2**bits, POINT_DIMENSIONS
    names = [coordinate(f"{room}.{key}", "unit") for room, key, _ in PARAMETERS]

    def own() -> FloatArray:
        return point_set(names, n, 1)

    def by_scipy_qmc() -> FloatArray:
        return np.asarray(stats.qmc.Sobol(d, scramble=True, rng=np.random.default_rng(1)).random_base2(bits))

    def by_openturns_sequence() -> FloatArray:
        import openturns as ot

        ot.RandomGenerator.SetSeed(1)
        cube = ot.JointDistribution([ot.Uniform(0.0, 1.0)] * d)
        experiment = ot.LowDiscrepancyExperiment(ot.SobolSequence(d), cube, n, True)
        experiment.setRandomize(True)
        return np.asarray(experiment.generate())

    peers = {"scipy.stats.qmc": (by_scipy_qmc, "the same kind of scrambling")}
    if _openturns():
        peers["OpenTURNS"] = (by_openturns_sequence, "a random shift in place of the scrambling")
    mine = _integral(own())
    errors = {name: _integral(peer()) for name, (peer, _) in peers.items()}
    times = in_turns(max(bench.repeats, 3), own, *(peer for peer, _ in peers.values()))
    what = f"2^{bits} x {d} scrambled Sobol' points"
    rows = [
        Row(f"{what}: {name} over own", median_ratio(theirs, times[0]), "x",
            note=f"{how}; error of an integral {errors[name]:+.1e}, own {mine:+.1e}",
            details={"error": errors[name], "own_error": mine})
        for (name, (_, how)), theirs in zip(peers.items(), times[1:], strict=True)
    ]  # fmt: skip
    if not _openturns():
        rows.append(Row(f"{what}: OpenTURNS over own", None, "x", note="openturns is not installed"))
    return rows
