"""The mixture of all drives of a side, as one map, and what it is against the other side's: for the report.

one, two = (side_mixture([mixture_answer(drive) for drive in drives], enough) for drives in sides)
side_change(one, two)
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Literal, TypeVar

from analysis.answers.encoding import Answer
from analysis.answers.mixture import CellAnswer, CellChangeAnswer, LoadAnswer, MixtureAnswer, RegimeAnswer
from analysis.mixture.map import REGIMES, Judgement, Window, change_of
from analysis.mixture.pooled import DriveField, pooled
from logger.config.targets import Enough


class SideMixtureAnswer(Answer):
    """The mixture of the drives of one setup by speed and load: each drive's medians, weighted by their seconds."""

    drives: tuple[str, ...]
    """Ids of the drives in it."""
    left_out: tuple[str, ...]
    """Ids of drives with another channel, other columns or another unit of speed."""
    channel: Literal["afr", "lambda"]
    """The channel of all medians."""
    value_at_lambda_1: float
    """What the channel shows at lambda 1."""
    unit: Literal["mph", "km/h"]
    """The owner's unit of speed."""
    load: LoadAnswer
    """The columns."""
    total_s: float
    """The drives' readings in all [s]."""
    kept_s: float
    """What was used [s]."""
    cells: tuple[CellAnswer, ...]
    """By speed and load."""
    summaries: tuple[RegimeAnswer, ...]
    """By kind of driving."""


class SideChangeAnswer(Answer):
    """What the mixture is with one setup against another, in the cells that both have."""

    channel: Literal["afr", "lambda"]
    """The channel of medians and differences, on the first side's scale."""
    unit: Literal["mph", "km/h"]
    """The owner's unit of speed."""
    load: LoadAnswer
    """The columns."""
    cells: tuple[CellChangeAnswer, ...]
    """By speed and load."""


def side_mixture(
    found: Sequence[MixtureAnswer], enough: Enough, like: SideMixtureAnswer | None = None
) -> SideMixtureAnswer:
    """The maps of a side's drives as one; of those that can be put together with the first, or with `like`."""
    first = like or found[0]
    use = [
        each for each in found
        if (each.channel, each.unit, each.load.edges) == (first.channel, first.unit, first.load.edges)
    ]  # fmt: skip
    places = sorted({(cell.from_mps, cell.to_mps, cell.load_from, cell.load_to) for each in use for cell in each.cells})
    cells = [
        [(cell, each) for each in use for cell in each.cells if (cell.from_mps, cell.load_from) == (place[0], place[2])]
        for place in places
    ]
    kinds = [[(row, each) for each in use for row in each.summaries if row.regime is kind] for kind in REGIMES]
    return SideMixtureAnswer(
        drives=tuple(each.drive for each in use),
        left_out=tuple(each.drive for each in found if each not in use),
        channel=first.channel,
        value_at_lambda_1=first.value_at_lambda_1,
        unit=first.unit,
        load=first.load,
        total_s=sum(each.total_s for each in use),
        kept_s=sum(each.kept_s for each in use),
        cells=tuple(_together(held, first.value_at_lambda_1, enough) for held in cells),
        summaries=tuple(_kind(held, first.value_at_lambda_1, enough) for held in kinds if held),
    )


def side_change(first: SideMixtureAnswer, second: SideMixtureAnswer) -> SideChangeAnswer:
    """The second side less the first, cell by cell; both with the same columns."""
    scale = first.value_at_lambda_1 / second.value_at_lambda_1
    later = {(cell.from_mps, cell.load_from): cell for cell in second.cells}
    cells = []
    for a in first.cells:
        b = later.get((a.from_mps, a.load_from))
        if b is None:
            continue
        known = Judgement.UNKNOWN not in (a.judgement, b.judgement)
        of_b = (b.median * scale, b.low * scale, b.high * scale)
        difference, low, high, verdict = change_of((a.median, a.low, a.high), of_b, known)
        cells.append(
            CellChangeAnswer(
                from_mps=a.from_mps, to_mps=a.to_mps, load_from=a.load_from, load_to=a.load_to, first=a.median,
                second=of_b[0], difference=difference, low=low, high=high, verdict=verdict,
            )
        )  # fmt: skip
    return SideChangeAnswer(channel=first.channel, unit=first.unit, load=first.load, cells=tuple(cells))


T = TypeVar("T", CellAnswer, RegimeAnswer)


def _together(held: Sequence[tuple[T, MixtureAnswer]], per_lambda: float, enough: Enough) -> T:
    """What all drives say of a cell or a kind of driving, on one scale; the kind of driving and the target are those
    of the drive that has most of it."""
    main, its_drive = max(held, key=lambda each: each[0].seconds)
    scale = per_lambda / its_drive.value_at_lambda_1
    target = main.target.model_copy(update={"low": main.target.low * scale, "high": main.target.high * scale})
    fields = []
    for each, drive in held:
        scale = per_lambda / drive.value_at_lambda_1
        fields.append(DriveField(each.seconds, each.readings, each.median * scale, each.sigma * scale))
    found = pooled(fields, Window(target.low, target.high), enough)
    return main.model_copy(
        update={
            "target": target, "seconds": found.seconds, "readings": found.readings, "median": found.median,
            "sigma": found.sigma, "low": found.low, "high": found.high, "p10": math.nan, "p90": math.nan,
            "judgement": found.judgement, "sure": found.sure,
        }
    )  # fmt: skip


def _kind(held: Sequence[tuple[RegimeAnswer, MixtureAnswer]], per_lambda: float, enough: Enough) -> RegimeAnswer:
    far_rich = all(row.far_rich for row, _ in held if math.isfinite(row.median))
    return _together(held, per_lambda, enough).model_copy(update={"far_rich": far_rich})
