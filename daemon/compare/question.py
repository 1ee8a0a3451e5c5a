"""Ask the catalogue for a comparison; unlike things are refused unless mixing is asked for, and then it is marked."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from greystep.daemon.catalogue import Catalogue
from greystep.daemon.catalogue.entries import Filter
from greystep.daemon.catalogue.ranking import Standing
from greystep.schema.errors import GreystepError
from greystep.schema.figure import flags_of

from .ranking import Comparison, rank


def compare(
    catalogue: Catalogue,
    *,
    method: str,
    quantity: str = "transition_duration_mean",
    duts: Sequence[str] = (),
    where: Filter | None = None,
    mixed: bool = False,
    all_runs: bool = False,
) -> Comparison:
    """Rank displays by a figure of the whole condition.

    Args:
        catalogue: tells the figures.
        method: id of the method, under its current fingerprint unless `where` names one.
        quantity: name of the figure.
        duts: displays; names, or parts of their titles. Empty: all.
        where: which conditions and runs.
        mixed: whether different conditions or fingerprints may stand in one ranking.
        all_runs: every run instead of the latest of each display and condition: before and after a change.

    Raises:
        GreystepError: nothing to compare, an unknown display, or unlike conditions or fingerprints without `mixed`.
    """
    f = replace(where or Filter(), dut=tuple(_dut(catalogue, d) for d in duts))
    found = catalogue.ranking(method, quantity, f, all_runs=all_runs)
    if not found:
        raise GreystepError(
            f"no figure {quantity!r} under the method {method!r} for these displays",
            todo="'greystep results' lists what there is; 'greystep recompute' brings it up to date",
        )
    unlike = unlike_parts(found)
    if unlike and not mixed:
        raise GreystepError(
            f"these figures are not alike: {'; '.join(unlike)}",
            todo="choose one condition, or ask for a mixed ranking with --mixed",
        )
    if unlike:
        found = [replace(s, flags=flags_of(s.flags, ("mixed",))) for s in found]
    return rank(found, method, quantity, unlike)


def unlike_parts(standings: Sequence[Standing]) -> list[str]:
    """What differs among figures that should be alike, in words."""
    out = []
    conditions = sorted({s.condition_title for s in standings})
    prints = sorted({s.fingerprint for s in standings})
    if len(conditions) > 1:
        out.append(f"{len(conditions)} conditions ({'; '.join(conditions[:4])}{' ...' if len(conditions) > 4 else ''})")
    if len(prints) > 1:
        out.append(f"{len(prints)} fingerprints ({', '.join(p[:12] for p in prints[:4])})")
    return out


def _dut(catalogue: Catalogue, wanted: str) -> str:
    """Id of a display by its id or by a part of its title. Raises GreystepError with the near ones."""
    known = catalogue.duts()
    if any(d["dut"] == wanted for d in known):
        return wanted
    near = [d for d in known if wanted.casefold() in d["title"].casefold() or d["dut"].startswith(wanted)]
    if len(near) == 1:
        return str(near[0]["dut"])
    if near:
        titles = ", ".join(d["title"] for d in near[:6])
        raise GreystepError(f"{wanted!r} fits several displays: {titles}", todo="give more of the name")
    from difflib import get_close_matches

    close = get_close_matches(wanted, [d["title"] for d in known] + [d["dut"] for d in known])
    todo = f"did you mean {close[0]!r}?" if close else "'greystep results' lists the displays"
    raise GreystepError(f"there is no display {wanted!r}", todo=todo)
