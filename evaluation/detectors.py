"""How many of the planted damages does the examination find, how exactly, and what does it find in clean sound?

``make evaluate`` runs this and writes ``docs/detection.md`` in one run: every part, and the undamaged sound, on the voices
and music that thresholds may be tuned on, then on the set held apart. While tuning, one part or one kind of one set
can be run and its tables are printed: ``python -m evaluation.detectors --set tuned --part damage --only whine``.
"""

import argparse
import sys
import time
from collections import defaultdict
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

from evaluation import air, damage, pairs
from evaluation.clean_sound import clean_jobs
from evaluation.page import CLEAN_TITLE, SETS, Rows, page
from evaluation.rows import Job, Part, Row
from evaluation.sources import HELD_APART, TUNED, SourceError, files

PAGE = Path(__file__).parent.parent / "docs" / "detection.md"
SOURCES = {"tuned": TUNED, "held apart": HELD_APART}

PARTS: dict[str, Part] = {"damage": damage, "air": air, "pairs": pairs}
"""Every part, by the name it is asked for with; the page prints them in this order."""


def evaluate(salts: Sequence[str], names: Sequence[str], only: str | None, workers: int) -> Rows:
    """Run the parts and the undamaged sound of the sets; return rows by set and title."""
    kinds = tuple(kind for part in PARTS.values() for kind in part.CLEAN)
    work: list[tuple[tuple[str, str], Job]] = []
    for salt in salts:
        for source in SOURCES[salt]:
            files(source)  # fetched once, before the workers want it
        voices = [source for source in SOURCES[salt] if source.voice]
        for name in names:
            if name == "clean":
                heard_for = tuple(k for k in kinds if only in (None, k))
                work += [((salt, CLEAN_TITLE), job) for job in clean_jobs(salt, SOURCES[salt], heard_for)]
            else:
                work += [((salt, PARTS[name].TITLE), job) for job in PARTS[name].jobs(salt, voices)]
    if only is not None:
        work = [(key, job) for key, job in work if key[1] == CLEAN_TITLE or only in job.arguments]
    rows: Rows = {key: [] for key, _ in work}
    spent: dict[tuple[str, str], float] = defaultdict(float)
    with ProcessPoolExecutor(workers) as pool:
        for done, (key, (found, seconds)) in enumerate(
            zip(
                [key for key, _ in work], pool.map(_timed, [job for _, job in work], chunksize=4), strict=True
            ),
            1,
        ):
            rows[key] += found
            spent[key] += seconds
            if done % 20 == 0 or done == len(work):
                print(f"\r{done} of {len(work)} jobs", end="", file=sys.stderr, flush=True)
    for (salt, title), seconds in spent.items():
        print(f"\n{title}, {salt}: {seconds:.0f} s of one core", end="", file=sys.stderr)
    print(file=sys.stderr)
    return rows


def main() -> int:
    """Run what is asked for; write the page when that was everything."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--set", choices=[*SETS, "both"], default="both")
    parser.add_argument("--part", choices=[*PARTS, "clean", "all"], default="all")
    parser.add_argument("--only", help="a kind of damage, or whatever else a job has for an argument")
    parser.add_argument("--workers", type=int, default=2)
    wanted = parser.parse_args()
    salts = list(SETS) if wanted.set == "both" else [wanted.set]
    names = [*PARTS, "clean"] if wanted.part == "all" else [wanted.part]
    try:
        rows = evaluate(salts, names, wanted.only, wanted.workers)
    except SourceError as error:
        print(f"Nothing was evaluated: {error}", file=sys.stderr)
        return 2
    text = page(list(PARTS.values()), rows)
    if (wanted.set, wanted.part, wanted.only) == ("both", "all", None):
        PAGE.write_text(text, encoding="utf-8")
        print(f"wrote {PAGE}")
    else:
        print(text)
    return 0


def _timed(job: Job) -> tuple[list[Row], float]:
    start = time.process_time()
    return job.function(*job.arguments), time.process_time() - start


if __name__ == "__main__":
    sys.exit(main())
