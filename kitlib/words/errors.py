"""What can go wrong with people's data, each kind under its own name."""

from collections.abc import Sequence


class KitError(Exception):
    """A problem the user can put right: the message says where and how."""


class TooFewSamples(KitError):
    """Too few samples, or trials, for the statistic asked for."""


class NoSpread(KitError):
    """All values are the same where the statistic needs them to differ."""


class NotFinite(KitError):
    """A missing or infinite value reached a statistic."""


class SeasonRefused(KitError):
    """The season cannot be audited; every problem found is in the message."""


def refuse(place: str, problems: Sequence[str], shown: int = 20) -> None:
    """Raise `SeasonRefused` naming every problem of one place, if there is any.

    Parameters
    ----------
    place : str
        The file the problems are in.
    problems : sequence of str
        One line each: where, what value, what was expected, what to do.
    shown : int
        How many are spelled out; the rest are counted.

    Raises
    ------
    SeasonRefused
        If `problems` is not empty.

    Examples
    --------
    >>> refuse("oven.csv", [])
    >>> refuse("oven.csv", ["row 2: wet_g is empty; expected grams. Weigh again."])
    Traceback (most recent call last):
    kitlib.words.errors.SeasonRefused: oven.csv: 1 problem(s)
      row 2: wet_g is empty; expected grams. Weigh again.
    """
    if not problems:
        return
    lines = [
        f"{place}: {len(problems)} problem(s)",
        *(f"  {p}" for p in problems[:shown]),
    ]
    if len(problems) > shown:
        lines.append(f"  and {len(problems) - shown} more of the same file")
    raise SeasonRefused("\n".join(lines))
