"""Every kind of change, many times over: reported, harmless or missed.

From the folder tests: python -m faults.run --each 16
"""

import argparse
from collections import Counter
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from functools import cache
from pathlib import Path

from faults.mutations import UNSEEN, Kind
from faults.outcomes import HARMLESS, MISSED, REPORTED, Judge, Outcome, kinds

RESULTS = Path(__file__).parent / "RESULTS.md"


@cache
def judge() -> Judge:
    """Return this process's judge."""
    return Judge()


def outcomes_of(task: tuple[int, int]) -> list[Outcome]:
    """Return what was made of so many changes of one kind."""
    number, each = task
    found = [judge().judge(kinds()[number], seed) for seed in range(each)]
    return [(number, one.verdict, one.change.said, one.said) for one in found]


def table_of(counts: dict[str, Counter], every: Iterable[Kind]) -> str:
    """Return the table of kinds and outcomes as Markdown."""
    lines = ["| change | reported | harmless | missed |", "|---|---:|---:|---:|"]
    for one in every:
        number = counts[one.name]
        mark = " ¹" if one.expected == UNSEEN else ""
        cells = [str(number[verdict]) for verdict in (REPORTED, HARMLESS, MISSED)]
        lines.append(f"| {one.name}{mark} | {' | '.join(cells)} |")
    total = sum(counts.values(), Counter())
    cells = [str(total[verdict]) for verdict in (REPORTED, HARMLESS, MISSED)]
    lines.append(f"| **{total.total()} changes** | {' | '.join(cells)} |")
    return "\n".join(lines)


_HEAD = """\
# One thing changed at a time

Each line: a small good season of eight trials ({each} times, seeded) with one thing
changed. *Reported*: a finding or a refusal that was not there before names the right
table and the right row (any of the rows the change makes contradict each other; the
table alone, where a whole column or file was changed). *Harmless*: every table of the
output has the same bytes as before. *Missed*: neither.

Made by `python -m faults.run --each {each}` in `tests/`.

"""
_FOOT = """

¹ Cannot be seen in principle: the changed value is as plausible as the true one, or a
row is gone that nothing else speaks of. Some are reported all the same, where another
table or the neighbours contradict them. The manual (README) lists them. Others that
were missed are looked at one by one in `MISSED.md`.
"""


def main() -> None:
    """Run all kinds and write the table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--each", type=int, default=16)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--only", default="")
    call = parser.parse_args()
    every = kinds()
    tasks = [(n, call.each) for n, k in enumerate(every) if call.only in k.name]
    counts = {one.name: Counter() for one in every}
    with ProcessPoolExecutor(call.jobs) as pool:
        for outcomes in pool.map(outcomes_of, tasks):
            for number, verdict, change, said in outcomes:
                counts[every[number].name][verdict] += 1
                if verdict == MISSED or call.only:
                    print(
                        f"{verdict}: {every[number].name}: {change} | {said[:150]}",
                        flush=True,
                    )
    text = _HEAD.format(each=call.each) + table_of(counts, every) + _FOOT
    if call.only:
        print(text)
    else:
        RESULTS.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
