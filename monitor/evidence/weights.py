"""From leak evidence to a score: a fitted table, kept as data.

Each feature is brought to 0..1 along knots (its levels on healthy and leaking zones of simulated
worlds), then::

    score = 1 / (1 + exp(-(constant + sum of weights of bent lines + sum of weights of products)))

Bent lines let a witness count only beyond a level; products let two weak witnesses that agree count
more than each alone. `weights.json` says with which script, seed and worlds it was fitted, and on
which others it was tried. It is not a probability: no real leaks have been measured.
"""

from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from itertools import combinations

import msgspec
import numpy as np
from numpy.typing import NDArray

from monitor.evidence.leak import FEATURES

Floats = NDArray[np.float64]

# Features that also count in pairs: the first so many of `FEATURES`
PAIRED = 16
PAIRS = tuple(combinations(range(PAIRED), 2))
BENDS = (0.0, 0.25, 0.5, 0.75)  # where the lines of a feature bend, on its 0..1 scale
_PAIRS, _BENDS = np.array(PAIRS), np.array(BENDS)
# A unit's own threshold: days looked back on, days and zones that are enough, margin in log odds
OWN_DAYS, OWN_LEAST_DAYS, OWN_LEAST_ZONES, OWN_MARGIN = 90, 30, 4, 2.5
# What a person is told: each cue is a group of features.
CUES: dict[str, tuple[str, ...]] = {
    "balance": ("balance", "own_balance"),
    "rain": ("rain_15", "rain_60", "own_rain", "like_rain", "weather_rain"),
    "vapour source": ("source_5", "source_20", "source_rise", "source_rain"),
    "like zones": ("like_rise", "like_level", "like_excess", "like_sum"),
    "weather": ("weather_rise", "weather_level", "moisture", "weather_excess", "weather_sum"),
    "dew": ("dew",),
}


class Table(msgspec.Struct, frozen=True, kw_only=True):
    """The data file."""

    version: str
    made_by: str
    tried_on: str
    threshold: float  # score from which two days running are a suspicion
    features: tuple[str, ...]
    knots: tuple[tuple[float, ...], ...]  # rising, one row a feature
    neutral: tuple[float, ...]  # 0..1, what a feature says of a typical healthy zone
    constant: float
    lines: tuple[tuple[float, ...], ...]  # (features, bends)
    products: tuple[float, ...]  # in the order of `PAIRS`


@dataclass(frozen=True, slots=True, eq=False)
class Weights:
    """The table as arrays; `score` and `cues` work on features of shape (F, ...)."""

    table: Table
    lines: Floats
    products: Floats

    @classmethod
    def of(cls, table: Table) -> "Weights":
        """Arrays of a table.

        Raises
        ------
        ValueError
            If the table was made for other features than this version computes, or is not whole.
        """
        if table.features != FEATURES:
            raise ValueError(f"weights {table.version} are for other features: fit them again")
        fault = _fault(table)
        if fault:
            raise ValueError(f"weights {table.version}: {fault}")
        return cls(table, np.array(table.lines), np.array(table.products))

    def score(self, features: Floats) -> Floats:
        """Score, 0 to 1, of features (F, ...); nan where any is missing."""
        return 1.0 / (1.0 + np.exp(-self.log_odds(self.scaled(features))))

    def scaled(self, features: Floats) -> Floats:
        """Features on their 0..1 scale."""
        return scaled(features, self.table.knots)

    def log_odds(self, scaled_features: Floats) -> Floats:
        """Logarithm of the odds, of scaled features (F, ...)."""
        shape = scaled_features.shape[1:]
        ones = (1,) * len(shape)
        bent = np.maximum(scaled_features[:, None] - _BENDS.reshape(1, -1, *ones), 0.0)
        lines = self.lines.reshape(*self.lines.shape, *ones) * bent
        used = np.flatnonzero(self.products)
        first, second = _PAIRS[used].T
        weights = self.products[used].reshape(-1, *ones)
        products = weights * scaled_features[first] * scaled_features[second]
        constant = np.full((1, *shape), self.table.constant)
        terms = np.concatenate([constant, lines.reshape(-1, *shape), products])
        # one after the other: a sum in pairs would have other last digits for one zone than for many
        total: Floats = np.add.accumulate(terms, axis=0)[-1]
        return total

    def cues(self, features: Floats) -> dict[str, Floats]:
        """How much each cue adds to the log odds, beside a typical healthy zone's."""
        full = self.scaled(features)
        whole = self.log_odds(full)
        told = {}
        for cue, members in CUES.items():
            without = full.copy()
            for name in members:
                row = FEATURES.index(name)
                without[row] = self.table.neutral[row]
            told[cue] = whole - self.log_odds(without)
        return told


def scaled(features: Floats, knots: tuple[tuple[float, ...], ...]) -> Floats:
    """Each feature (first axis) on 0..1 along its knots, straight between them, cut at the ends."""
    result = np.empty(features.shape)
    for row, (levels, shares) in enumerate(_with_shares(knots)):
        result[row] = np.interp(features[row], levels, shares)  # nan stays nan
    return result


@cache
def _with_shares(knots: tuple[tuple[float, ...], ...]) -> list[tuple[Floats, Floats]]:
    return [(np.array(levels), np.linspace(0.0, 1.0, len(levels))) for levels in knots]


def own_threshold(scores: Floats, *, threshold: float) -> float:
    """Threshold for a unit whose healthy zones score higher than those of the worlds of the fit.

    Parameters
    ----------
    scores : ndarray
        Daily scores of all zones of the unit over its last `OWN_DAYS` days, shape (days, zones);
        nan where not measured.
    threshold : float
        The table's.

    Returns
    -------
    float
        Never below the table's; the table's where too few zones or days are known.

    Notes
    -----
    The highest tenth of each zone's days shows how high it goes, the median zone how high a healthy
    one goes, as long as most of a unit does not leak; a suspicion must be `OWN_MARGIN` beyond it.
    """
    measured = np.isfinite(scores).sum(axis=0) >= OWN_LEAST_DAYS
    if measured.sum() < OWN_LEAST_ZONES:
        return threshold
    score = np.clip(scores[:, measured], 1e-6, 1.0 - 1e-6)
    typical = float(np.median(np.nanpercentile(np.log(score / (1.0 - score)), 90.0, axis=0)))
    return max(threshold, 1.0 / (1.0 + float(np.exp(-(typical + OWN_MARGIN)))))


def _fault(table: Table) -> str:
    """What keeps a table of the right features from being used; "" if nothing does."""
    count = len(FEATURES)
    if not len(table.knots) == len(table.neutral) == len(table.lines) == count:
        return f"knots, neutral and lines must have {count} entries each, one a feature"
    if any(len(line) != len(BENDS) for line in table.lines):
        return f"each of the lines must have {len(BENDS)} weights, one a bend"
    if len(table.products) != len(PAIRS):
        return f"products must have {len(PAIRS)} weights, one a pair"
    if any(len(row) < 2 or list(row) != sorted(row) for row in table.knots):
        return "knots must rise, two of them at least a feature"
    if not 0.0 < table.threshold < 1.0:
        return "threshold must lie between 0 and 1"
    return ""


def decoded(data: bytes) -> Weights:
    """Weights of a data file.

    Raises
    ------
    ValueError
        If it is no such file, or one that this version cannot use; says why in a sentence.
    """
    try:
        table = msgspec.json.decode(data, type=Table)
    except msgspec.DecodeError as error:  # a value that is none, too: msgspec's kind of it
        raise ValueError(f"it is no file of leak weights: {error}") from error
    return Weights.of(table)


@cache
def shipped() -> Weights:
    """The weights of this release."""
    return decoded(shipped_bytes())


def shipped_bytes() -> bytes:
    """The data file of this release."""
    return files("monitor.evidence").joinpath("weights.json").read_bytes()
