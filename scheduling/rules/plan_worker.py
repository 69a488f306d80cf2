"""The planner's own process: a problem comes in as one line of JSON, news go out, one line each.

Started by `python -m scheduling.rules.plan_worker` and thrown away afterwards, so that nothing the solver
does (memory it takes, a crash, a wrong answer) reaches anything else. Nobody needs to ask it to stop: every
better plan is out already, and the process can simply be ended.
"""

import json
import os
import resource
import sys
import threading
import time
from typing import Any

from scheduling.rules.plan_capacity import capacity, crowd
from scheduling.rules.plan_flow import Block, BlockAnswer
from scheduling.rules.plan_problem import plan_as_json, problem_from_json
from scheduling.rules.plan_solve import News, solve

MEMORY = (
    6 * 1024**3
)  # bytes of address space; libraries alone reserve about two thirds of a gigabyte
GRACE = 60  # seconds of computing beyond what was asked for, per worker


def news_as_json(news: News) -> dict[str, Any]:
    """Return one piece of news as plain JSON."""
    return {
        "stage": news.stage,
        "seconds": round(news.seconds, 1),
        "bound": news.bound,
        "first_fit": news.first_fit,
        "plan": plan_as_json(news.plan) if news.plan is not None else None,
    }


def tell(line: dict[str, Any]) -> None:
    """Write one line of news."""
    sys.stdout.write(json.dumps(line) + "\n")
    sys.stdout.flush()


def end_with(parent: int) -> None:
    """End this process when the one that asked has ended, killed or not: nobody would hear the answer."""
    while os.getppid() == parent:
        time.sleep(1)
    os._exit(1)


def main() -> None:
    """Read, limit, solve."""
    threading.Thread(target=end_with, args=[os.getppid()], daemon=True).start()
    began = time.monotonic()
    asked = json.loads(sys.stdin.readline())
    seconds, workers = float(asked["seconds"]), int(asked["workers"])
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))
    computing = int(seconds * workers) + GRACE
    resource.setrlimit(resource.RLIMIT_CPU, (computing, computing + 5))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))

    def stopwatch() -> float:
        return time.monotonic() - began

    if "problem" in asked:
        solve(
            problem_from_json(asked["problem"]),
            seconds=seconds,
            workers=workers,
            stopwatch=stopwatch,
            tell=lambda news: tell(news_as_json(news)),
        )
        return
    known: dict[Block, BlockAnswer] = {}
    for change in asked["changes"]:
        problem = crowd(problem_from_json(change["problem"]), change["crowd"])
        found = capacity(
            problem,
            seconds=seconds / len(asked["changes"]),
            workers=workers,
            known=known,
            stop=lambda: stopwatch() > seconds,
        )
        tell({"name": change["name"], "fit": found.fit, "bound": found.bound})


if __name__ == "__main__":
    main()
