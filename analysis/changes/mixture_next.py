"""What the mixture of the newest drive asks for before more seconds are sought: a jet, a clip, a screw.

A rich full throttle asks for its main jet, which `jets` chooses. A lean or rich cruise, town or idle names the circuit
that meters there and the part that would change it, by its name in the car's setups where they mention it (common
practice of carburettors, no source).
"""

from __future__ import annotations

from analysis import kept
from analysis.changes.season_record import SeasonRecord
from analysis.conditions.setups import Parts, shown
from analysis.mixture.map import Judgement, Regime, RegimeSummary
from analysis.wording import channel_digits
from logger.errors import InputError, NoAnswer

_KEPT = "mixture_next"
"""What is kept of it beside the drive: finding it takes the whole drive."""

_CIRCUITS = {
    Regime.CRUISE: ("the needle's circuit", ("needle_clip", "clip", "needle"), "raise", "lower",
                    "the needle by a clip", "the transition holes"),
    Regime.TOWN: ("the slide's cutaway and the pilot circuit", ("slide", "cutaway", "pilot", "pilot_jet"), "richen",
                  "lean", "pilot jet or cutaway by one size", "the transition holes"),
    Regime.IDLE: ("the pilot circuit", ("pilot", "pilot_jet", "idle_jet", "mixture_screw"), "richen", "lean",
                  "the mixture screw by a quarter turn, then the pilot jet", "the idle jet"),
}  # fmt: skip
"""Regime -> circuit, parts by the beginnings of their names, what to do where it is lean and where it is rich."""


def mixture_notes(season: SeasonRecord) -> list[str]:
    """What is surely off target in the newest drive with a mixture, each in a sentence; nothing without such a drive.

    Full throttle comes first: it does the harm, and a jet moves the rest a little as well.
    """
    store = season.store
    if store is None:
        return []
    for row in reversed(season.drives):
        if not row.channel:
            continue
        key = kept.digest_of_values(season.keys.get(row.drive), row.parts)
        known = kept.read_values(store.path, row.drive, _KEPT, key)
        if known is not None:
            return [str(each) for each in known.get("notes", ())]
        try:
            found = season.drive(row.drive).map
        except (NoAnswer, InputError):
            continue
        order = (Regime.FULL, Regime.CRUISE, Regime.TOWN, Regime.IDLE)
        told = {each.regime: each for each in found.answer.summaries}
        digits = channel_digits(found.answer.channel)
        said = [_said(told[regime], row.drive, row.parts or {}, digits) for regime in order if regime in told]
        notes = [each for each in said if each]
        kept.write_values(store.path, row.drive, _KEPT, key, {"notes": notes})
        return notes
    return []


def _said(summary: RegimeSummary, drive: str, parts: Parts, digits: int) -> str:
    if summary.judgement not in (Judgement.LEAN, Judgement.RICH) or not summary.sure:
        return ""
    lean, window = summary.judgement is Judgement.LEAN, summary.target
    lead = (
        f"{summary.regime.value} of {drive} is {'lean' if lean else 'rich'}: {summary.median:.{digits}f}, target "
        f"{window.low:.{digits}f} to {window.high:.{digits}f}"
    )
    if summary.regime is Regime.FULL:
        part = _part(parts, ("main_jet",))
        return f"{lead}. It needs a {'larger' if lean else 'smaller'} main jet{part}. `pullbook jets` says which"
    circuit, names, richer, leaner, what, fixed = _CIRCUITS[summary.regime]
    what_to_do = f"{richer if lean else leaner} {what}{_part(parts, names)}"
    return f"{lead}. That is {circuit}: {what_to_do}. On a fixed-jet carburettor it is {fixed}"


def _part(parts: Parts, names: tuple[str, ...]) -> str:
    """The setup's own part of such a name, with its value, in brackets; "" where it mentions none."""
    mine = [part for name in names for part in parts if part.startswith(name)]
    return f" ({mine[0]}, now {shown(parts[mine[0]])})" if mine else ""
