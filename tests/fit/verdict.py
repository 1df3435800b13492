"""Fits the votes of `monitor.evidence.verdict` on simulated lots and tries them on lots they never saw.

    python -m tests.fit.verdict [BATCHES] [FIRST_SEED]     # prints the votes, and how they do

A zone is asked about when it is damp by the air or its score is above the threshold: on the first
such day from the leak's beginning on (a healthy zone's first), and each thirtieth after it. Its
truth is the leak's kind, or in a healthy zone the moisture it was built with for as long as it is
wetter than its like for that, else condensation. Zones below another's leak are left out: they have
no cause of their own. Each zone counts once. A multinomial regression with a ridge gives the votes.
"""

import sys
from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
from scipy.optimize import minimize

from demo.fleet import Batch, Mix, fleets
from monitor.evidence import leak, verdict, weights
from monitor.judge.leaks import WARM_DAYS
from tests.fit.leak import lessons, scores_of

FIRST_SEED, BATCHES = 2101, 8
DAMP_PERCENT = 16.0
EVERY_DAYS = 30
BUILT_IN_PERCENT, BUILT_IN_DAYS = 18.0, 150  # a zone that started above it, until then
RIDGE = 0.002
MIX = Mix(leaking=0.5)


class Asked(NamedTuple):
    cues: dict[str, str]
    truth: int  # index into CAUSES
    zone: int


def asked(batch: Batch, *, first_zone: int) -> Iterator[Asked]:
    told: list[dict[str, np.ndarray]] = []
    lesson = lessons(
        batch,
        look=lambda memory, *_: told.append(
            {k: v.copy() for k, v in leak.witnesses(memory).items()}
        ),
    )
    table = weights.shipped().table
    score = scores_of(table, lesson)
    moisture = lesson.features[:, leak.FEATURES.index("moisture")]
    start = [zone.start_moisture or 0.0 for unit in batch.units for zone in unit.zones]
    built_in = 100.0 * np.array(start) >= BUILT_IN_PERCENT
    for row in np.flatnonzero(lesson.healthy | (lesson.ml > 0)).tolist():
        leaks = lesson.ml[row] > 0
        begin = max(WARM_DAYS, int(lesson.onset[row]) if leaks else 0)
        due = begin
        for day in range(begin, lesson.days):
            known = np.isfinite(lesson.features[day, :, row]).all()
            damp = moisture[day, row] >= DAMP_PERCENT or score[day, row] >= table.threshold
            if day < due or not known or not damp:
                continue
            due = day + EVERY_DAYS
            figures = dict(zip(leak.FEATURES, lesson.features[day, :, row].tolist(), strict=True))
            figures |= {name: float(values[row]) for name, values in told[day].items()}
            if leaks:
                truth = "plumbing" if lesson.plumbing[row] else "rain ingress"
            elif built_in[row] and day < BUILT_IN_DAYS:
                truth = "built-in moisture"
            else:
                truth = "condensation"
            yield Asked(verdict.seen(figures), verdict.CAUSES.index(truth), first_zone + row)


Terms = list[tuple[str, str]]


def terms_of(all_asked: list[Asked]) -> Terms:
    return sorted({item for one in all_asked for item in one.cues.items()})


def _design(all_asked: list[Asked], terms: Terms) -> np.ndarray:
    return np.array(
        [[1.0, *(one.cues.get(cue) == what for cue, what in terms)] for one in all_asked]
    )


def shares(all_asked: list[Asked]) -> np.ndarray:
    """Weight of each moment: every zone counts once."""
    _, where, times = np.unique(
        [one.zone for one in all_asked], return_inverse=True, return_counts=True
    )
    return 1.0 / times[where]


def fit(all_asked: list[Asked], terms: Terms) -> np.ndarray:
    x, y, w = _design(all_asked, terms), np.array([a.truth for a in all_asked]), shares(all_asked)
    # between as common as they are and all alike: a rare cause is not voted away beforehand
    of_class = np.bincount(y, weights=w, minlength=len(verdict.CAUSES))
    w = w * (of_class.sum() / np.maximum(of_class, 1.0))[y] ** 0.5
    w /= w.sum()
    hot = np.eye(len(verdict.CAUSES))[y]

    def loss(flat: np.ndarray) -> tuple[float, np.ndarray]:
        votes = flat.reshape(x.shape[1], -1)
        logits = x @ votes
        logits -= logits.max(axis=1, keepdims=True)
        p = np.exp(logits)
        p /= p.sum(axis=1, keepdims=True)
        value = -(w * np.log(p[np.arange(len(y)), y] + 1e-12)).sum() + RIDGE * (votes**2).sum() / 2
        return float(value), (x.T @ (w[:, None] * (p - hot)) + RIDGE * votes).ravel()

    found = minimize(loss, np.zeros(x.shape[1] * len(verdict.CAUSES)), jac=True, method="L-BFGS-B")
    return np.round(found.x.reshape(x.shape[1], -1), 1)


def report(name: str, all_asked: list[Asked], terms: Terms, votes: np.ndarray, lead: float) -> None:
    sums = _design(all_asked, terms) @ votes
    order = np.sort(sums, axis=1)
    said = np.where(order[:, -1] - order[:, -2] >= lead - 1e-9, sums.argmax(axis=1), -1)
    y, w = np.array([a.truth for a in all_asked]), shares(all_asked)
    told = said >= 0
    right = (w * (told & (said == y))).sum() / max((w * told).sum(), 1e-9)
    print(
        f"{name}, lead {lead:.1f}: {len({a.zone for a in all_asked})} zones, cannot tell "
        f"{(w * ~told).sum() / w.sum():.1%}, of the others {right:.1%} right"
    )
    for k, cause in enumerate(verdict.CAUSES):
        of = y == k
        row = [
            f"{other} {(w * (of & (said == j))).sum():.1f}"
            for j, other in enumerate(verdict.CAUSES)
        ]
        print(
            f"    {cause:18} {(w * of).sum():6.1f} zones: {', '.join(row)}, cannot tell {(w * (of & ~told)).sum():.1f}"
        )


def main(words: list[str]) -> None:
    count = int(words[0]) if words else BATCHES
    first = int(words[1]) if len(words) > 1 else FIRST_SEED
    halves: tuple[list[Asked], list[Asked]] = ([], [])
    zones = 0
    for number, batch in enumerate(
        fleets(seeds=range(first, first + 2 * count), mix=MIX, processes=1)
    ):
        halves[number >= count].extend(asked(batch, first_zone=zones))
        zones += len(batch.units) * batch.walls
        print(f"batch {number + 1} of {2 * count}", flush=True)
    taught, tried = halves
    terms = terms_of(taught)
    votes = fit(taught, terms)
    print("VOTES = {")
    for cue in dict.fromkeys(cue for cue, _ in terms):
        print(f'    "{cue}": {{')
        for (of, what), row in zip(terms, votes[1:].tolist(), strict=True):
            if of == cue:
                print(f'        "{what}": {tuple(row)},')
        print("    },")
    print(f"}}\nBEFORE = {tuple(votes[0].tolist())}")
    for lead in (0.4, 0.6, 0.8, 1.0, 1.2):
        report("unseen", tried, terms, votes, lead)
    if set(terms) <= {(cue, what) for cue, words in verdict.VOTES.items() for what in words}:
        shipped = [verdict.BEFORE, *(verdict.VOTES[cue][what] for cue, what in terms)]
        report("unseen, as shipped", tried, terms, np.array(shipped), verdict.LEAD)


if __name__ == "__main__":
    main(sys.argv[1:])
