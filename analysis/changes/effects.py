"""What each part did, over all setups ever driven; and which parts these drives cannot tell apart.

The times are modelled as a base setup plus an effect of each part's other values, added up, with the way driven and
with outings as blocks (`day_effects`). Whether the effects can be had apart is a matter of the design matrix
alone, settled in exact fractions: a column of it that belongs to some linear dependence is tangled, and columns that
share one are tangled with each other. Of tangled parts only what they did together is given, for each combination that
was driven; such sums are always determined, since the space of the rows falls into one piece for each tangle.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from analysis.arrays import Floats
from analysis.changes import day_effects
from analysis.changes.day_effects import ContrastInterval, Scatter
from analysis.changes.day_prior import Prior
from analysis.changes.observations import Observation
from analysis.changes.verdicts import LEVEL
from analysis.changes.ways import directions, way_columns
from analysis.conditions.setups import NOT_SAID, Parts, differences, lookup, same, same_value, shown
from logger.config.setup import PartValue

WAY = "the direction driven"


@dataclass(frozen=True)
class PartChange:
    """A part at a value other than the base setup's; None: the part is not mentioned."""

    part: str
    base: PartValue | None
    value: PartValue | None

    def __str__(self) -> str:
        return f"{self.part} {shown(self.base)} -> {shown(self.value)}"


@dataclass(frozen=True)
class Design:
    """The setups driven as a design matrix, and what it can and cannot tell apart."""

    setups: tuple[Parts, ...]
    """Each distinct one; the first is the base."""
    of_run: NDArray[np.int64]
    """Which setup each run had."""
    changes: tuple[PartChange, ...]
    """One for each column of `matrix`."""
    matrix: NDArray[np.int64]
    """(setups, changes): 1 where the setup has the change."""
    ways: NDArray[np.int64]
    """(runs, ways driven beyond the first)."""
    groups: tuple[tuple[int, ...], ...]
    """Columns that are tangled with each other, ways counted on after the changes."""

    @property
    def parts(self) -> list[str]:
        """The parts that ever changed."""
        return list(dict.fromkeys(change.part for change in self.changes))

    @property
    def separable(self) -> dict[str, bool]:
        """Part -> whether its effect can be told from all others'."""
        bound = {self.name(k) for group in self.groups for k in group}
        return {part: part not in bound for part in self.parts}

    @property
    def tangled(self) -> list[list[str]]:
        """The parts of each tangle; `WAY` among them where the way driven is part of it."""
        return [list(dict.fromkeys(self.name(k) for k in group)) for group in self.groups]

    def name(self, column: int) -> str:
        return self.changes[column].part if column < len(self.changes) else WAY


@dataclass(frozen=True)
class Effect:
    """What one change did, or several tangled ones together; one interval for each response."""

    changes: tuple[PartChange, ...]
    runs: int
    """Runs driven with it."""
    intervals: list[ContrastInterval]

    @property
    def joint(self) -> bool:
        return len(self.changes) > 1


@dataclass(frozen=True)
class Attribution:
    """Effects against the base setup; see `Design` for what is tangled."""

    design: Design
    effects: list[Effect]
    scatter: list[Scatter]
    not_additive: bool
    """Setups with several changes differ from the sum of the effects by more than scatter explains."""
    caveats: list[str] = field(default_factory=list)
    background: list[str] = field(default_factory=list)
    """Sentences that ask the owner for nothing."""


def attribute(
    runs: Sequence[Observation], y: Floats, level: float = LEVEL, prior: Sequence[Prior] | None = None
) -> Attribution | None:
    """Effects of the parts on the responses `y`; None where fewer than two setups were driven.

    Parameters
    ----------
    runs : sequence of Observation
        n runs; those without a setup are left out, and a caveat says so.
    y : (n, J) array
        Responses, in any unit; NaN where a run has none.
    level : float
        What all intervals of all effects hold together at, by Bonferroni over effects: parts, like speeds, are one
        question, for the owner looks for whichever did something.
    prior : sequence of Prior, optional
        Typical scatter of days and runs of each response (`priors`).
    """
    kept = [i for i, run in enumerate(runs) if run.parts is not None and np.isfinite(y[i]).any()]
    if not kept:
        return None
    used, told = [runs[i] for i in kept], y[kept]
    design = design_of([run.parts or {} for run in used], np.array([run.direction_deg for run in used]))
    if len(design.setups) < 2 or not design.changes:
        return None
    outing = np.array([run.outing for run in used], np.int64)
    ways, own = way_columns(np.array([run.direction_deg for run in used]), outing)
    x = np.hstack([np.ones((len(used), 1)), design.matrix[design.of_run], ways])
    named = named_effects(design)
    counts = [int(np.sum(np.all(design.matrix[design.of_run][:, list(cs)] == 1, axis=1))) for cs in named]
    caveats = []
    if len(kept) < len(runs):
        caveats.append(f"{len(runs) - len(kept)} runs without a setup were left out")
    if not named:
        return Attribution(design, [], [], False, caveats)
    wanted = [[float(k > 0 and k - 1 in columns) for k in range(x.shape[1])] for columns in named]
    each = 1 - (1 - level) / len(wanted)
    fit = day_effects.contrasts(told, x, outing, np.array(wanted), each, prior=prior, own=own)
    effects = [
        Effect(tuple(design.changes[c] for c in columns), count, row)
        for columns, count, row in zip(named, counts, fit.intervals, strict=True)
    ]
    if any(change.value is None or change.base is None for change in design.changes):
        caveats.append(f"some setups do not mention a part that others do. There its value is {NOT_SAID}")
    background = []
    if len(named) > 1:
        background.append(
            f"the intervals hold for all {len(named)} effects together. `pullbook compare` compares one pair of "
            f"setups, so "
            "its intervals are not the same"
        )
    odd = _not_additive(design, told, (ways, own), outing, level, prior)
    if odd:
        caveats.append("the effects do not simply add up. What one part does depends on another here")
    return Attribution(design, effects, fit.scatter, odd, caveats, background)


def either(first: Attribution, second: Attribution) -> Attribution:
    """The first of two accounts of the same effects, with intervals that hold by either."""
    effects = [
        replace(a, intervals=[day_effects.hull(*pair) for pair in zip(a.intervals, b.intervals, strict=True)])
        for a, b in zip(first.effects, second.effects, strict=True)
    ]
    return replace(first, effects=effects)


def scatter_of(runs: Sequence[Observation], y: Floats, prior: Sequence[Prior] | None = None) -> list[Scatter]:
    """Scatter of runs and days of each response, setups and ways driven allowed for.

    Parameters
    ----------
    runs : sequence of Observation
        n runs.
    y : (n, J) array
        Responses, in any unit; NaN where a run has none.
    prior : sequence of Prior, optional
        Typical scatter of days and runs of each response (`priors`).
    """
    setups, of_run = _distinct([run.parts or {} for run in runs])
    outing = np.array([run.outing for run in runs], np.int64)
    ways, own = way_columns(np.array([run.direction_deg for run in runs]), outing)
    x = np.hstack([of_run[:, None] == np.arange(len(setups)), ways])
    return day_effects.contrasts(y, x, outing, np.zeros((0, x.shape[1])), prior=prior, own=own).scatter


def design_of(parts: Sequence[Parts], direction_deg: Floats | None = None) -> Design:
    """The design of runs with these parts.

    Parameters
    ----------
    parts : sequence of mappings
        Of n runs; the base is the setup of the first one.
    direction_deg : (n,) array, optional
        Heading of each run [deg]; NaN where it is unknown, which is a way of its own. None leaves the ways out.
    """
    if not parts:
        nothing = np.zeros((0, 0), np.int64)
        return Design((), np.zeros(0, np.int64), (), nothing, nothing, ())
    setups, of_run = _distinct(parts)
    way = directions(direction_deg) if direction_deg is not None else np.zeros(len(parts), np.int64)
    # The base must have been driven in the base way, so that the intercept stands for something that was driven.
    pairs, counts = np.unique(np.column_stack([of_run, way]), axis=0, return_counts=True)
    mine = pairs[:, 0] == of_run[0]
    first = pairs[mine][int(np.argmax(counts[mine]))]
    order = [int(first[0]), *(k for k in range(len(setups)) if k != first[0])]
    setups = [setups[k] for k in order]
    of_run = np.argsort(order)[of_run]
    ways = np.array([k for k in np.unique(way) if k != first[1]], np.int64)
    membership = (way[:, None] == ways[None, :]).astype(np.int64)
    changes = _changes(setups)
    matrix = np.array(
        [[int(_has(each, change)) for change in changes] for each in setups], np.int64
    ).reshape(len(setups), len(changes))  # fmt: skip
    rows = np.unique(np.hstack([np.ones((len(of_run), 1), np.int64), matrix[of_run], membership]), axis=0)
    groups = tuple(tuple(k - 1 for k in group if k > 0) for group in tangles(rows))
    return Design(tuple(setups), of_run.astype(np.int64), changes, matrix, membership, groups)


def tangles(matrix: NDArray[np.int64]) -> list[tuple[int, ...]]:
    """Columns of an integer matrix that cannot be told apart, grouped: the circuits' connected components.

    Gaussian elimination in exact fractions; each free column gives one dependence, and columns that share a dependence,
    directly or through others, form a group. A column in no group is determined by the rows. The groups are those of
    the columns' matroid: its connected components with more than one element, and its loops [J. Oxley, Matroid Theory,
    2nd ed. (2011), chapter 4].

    Parameters
    ----------
    matrix : (n, p) array of int

    Returns
    -------
    list of tuples of int
        Numbers of columns.
    """
    reduced, pivots = _reduced([[Fraction(int(v)) for v in row] for row in matrix])
    columns = matrix.shape[1]
    parent = list(range(columns))

    def root(k: int) -> int:
        while parent[k] != k:
            k = parent[k]
        return k

    bound: set[int] = set()
    for free in (k for k in range(columns) if k not in pivots):
        circuit = [free, *(p for row, p in zip(reduced, pivots, strict=False) if row[free] != 0)]
        bound.update(circuit)
        for k in circuit[1:]:
            parent[root(k)] = root(free)
    groups: dict[int, list[int]] = {}
    for k in sorted(bound):
        groups.setdefault(root(k), []).append(k)
    return [tuple(group) for group in groups.values()]


def rank(matrix: NDArray[np.int64]) -> int:
    """The exact rank of an (n, p) integer matrix, by elimination in fractions."""
    return len(_reduced([[Fraction(int(v)) for v in row] for row in matrix])[1])


def _reduced(rows: list[list[Fraction]]) -> tuple[list[list[Fraction]], list[int]]:
    """The reduced row echelon form and its pivot columns."""
    pivots: list[int] = []
    at = 0
    for column in range(len(rows[0]) if rows else 0):
        chosen = next((k for k in range(at, len(rows)) if rows[k][column] != 0), None)
        if chosen is None:
            continue
        rows[at], rows[chosen] = rows[chosen], rows[at]
        lead = rows[at][column]
        rows[at] = [v / lead for v in rows[at]]
        for k in range(len(rows)):
            if k != at and rows[k][column] != 0:
                scale = rows[k][column]
                rows[k] = [v - scale * w for v, w in zip(rows[k], rows[at], strict=True)]
        pivots.append(column)
        at += 1
    return rows, pivots


def named_effects(design: Design) -> list[tuple[int, ...]]:
    """What can be said: each free change, then each driven combination of the changes of a tangle."""
    bound = {k for group in design.groups for k in group}
    named: list[tuple[int, ...]] = [(k,) for k in range(len(design.changes)) if k not in bound]
    for group in design.groups:
        if any(k >= len(design.changes) for k in group):
            continue  # bound to the way driven: nothing can be said of these parts, not even together
        seen = {tuple(k for k in group if row[k]) for row in design.matrix}
        named += sorted(each for each in seen if each)
    return named


def _not_additive(
    design: Design,
    y: Floats,
    both_ways: tuple[Floats, Floats],
    outing: NDArray[np.int64],
    level: float,
    prior: Sequence[Prior] | None,
) -> bool:
    """Whether the setups' own means contradict the sum of effects."""
    additive = np.hstack([np.ones((len(design.setups), 1)), design.matrix]).astype(float)
    u, s, _ = np.linalg.svd(additive)
    beyond = u[:, int(np.sum(s > 1e-9 * s[0])) :].T
    if not len(beyond):
        return False
    member = (design.of_run[:, None] == np.arange(len(design.setups))).astype(float)
    ways, own = both_ways
    x = np.hstack([member, ways])
    wanted = np.hstack([beyond, np.zeros((len(beyond), ways.shape[1]))])
    fit = day_effects.contrasts(y, x, outing, wanted, 1 - (1 - level) / len(beyond), prior=prior, own=own)
    return any(i.low > 0 or i.high < 0 for row in fit.intervals for i in row)


def _distinct(parts: Sequence[Parts]) -> tuple[list[Parts], NDArray[np.int64]]:
    setups: list[Parts] = []
    of_run = np.zeros(len(parts), np.int64)
    known: dict[int, int] = {}
    for i, each in enumerate(parts):
        if id(each) not in known:
            at = next((k for k, other in enumerate(setups) if same(other, each)), None)
            if at is None:
                setups.append(each)
                at = len(setups) - 1
            known[id(each)] = at
        of_run[i] = known[id(each)]
    return setups, of_run


def _changes(setups: Sequence[Parts]) -> tuple[PartChange, ...]:
    """Each value of each part that some setup has and the base has not."""
    found: list[PartChange] = []
    for each in setups[1:]:
        for difference in differences(setups[0], each):
            change = PartChange(difference.part, difference.a, difference.b)
            if not any(_is(change, other) for other in found):
                found.append(change)
    return tuple(sorted(found, key=lambda change: _place(setups, change.part)))


def _place(setups: Sequence[Parts], part: str) -> int:
    names = list(dict.fromkeys(name for each in setups for name in each))
    return names.index(part) if part in names else len(names)


def _is(a: PartChange, b: PartChange) -> bool:
    if a.part != b.part or (a.value is None) != (b.value is None):
        return False
    return a.value is None or b.value is None or same_value(a.part, a.value, b.part, b.value)


def _has(parts: Parts, change: PartChange) -> bool:
    found = lookup(parts, change.part)
    if found is None or change.value is None:
        return found is None and change.value is None
    return same_value(change.part, change.value, *found)
