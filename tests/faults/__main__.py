"""``python -m tests.faults [KIND ...]``: the whole matrix of faults, and its figures by kind."""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Iterable
from pathlib import Path
from tempfile import TemporaryDirectory

from tests.faults.matrix import CASES, MOMENTS, Case, Result, judge, moments


def row(case: Case, count: int = MOMENTS) -> list[Result]:
    """Run one case at ``count`` moments."""
    results = []
    for after in moments(case, count):
        with TemporaryDirectory() as folder:
            results.append(judge(case, after, Path(folder)))
    return results


def told(case: Case, results: Iterable[Result]) -> str:
    """Return the line of figures of a case."""
    results = list(results)
    codes = Counter(int(result.seen.code) for result in results)
    late = max((r.off_after_s for r in results if r.off_after_s == r.off_after_s), default=0.0)
    wrong = sum(bool(result.wrong) for result in results)
    shown = ", ".join(f"{number} x exit {code}" for code, number in sorted(codes.items()))
    return f"{case!s:<34} {len(results):>3} runs  {shown:<44} RF off after {late:5.2f} s  wrong {wrong}"


def main(chosen: list[str], count: int = MOMENTS) -> int:
    wrong = total = 0
    for case in CASES:
        if chosen and case.kind not in chosen and str(case) not in chosen:
            continue
        results = row(case, count)
        total += len(results)
        print(told(case, results), flush=True)
        for result in results:
            if result.wrong:
                wrong += 1
                print(f"    line {result.after} ({result.seen.struck_line}): {'; '.join(result.wrong)}")
                print(f"      {result.seen.outcomes} {result.seen.stored.reason}")
                print("     ", [s.reason for s in result.seen.stored.steps if s.reason])
    print(f"{total} runs, {wrong} wrong")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
