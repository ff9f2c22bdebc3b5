"""Seasons on all cores: same results with any number of workers, live progress, a Ctrl-C that keeps what is there."""

from __future__ import annotations

import multiprocessing as mp
import os
import queue
import signal
import threading
from collections.abc import Callable, Iterable, Iterator, Mapping
from concurrent.futures import Future, ProcessPoolExecutor, wait
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from sim.policies import Rule, make_policy
from sim.season import SeasonResult, Twin, remember_twin, run_season, twin_of

if TYPE_CHECKING:
    from sim.scenario import Scenario

Told = Callable[[str, float, float], None]  # label, days done, core temperature now in °C
Kept = Callable[[SeasonResult], Any]  # what to keep of a season; a module-level function, since it goes to the workers


def whole(result: SeasonResult) -> SeasonResult:
    """Keep everything."""
    return result


@dataclass(frozen=True, slots=True)
class Job:
    """One season to run; ``label`` names it in progress and results."""

    label: str
    policy: str
    rule: Rule | None = None


_worker: dict[str, Any] = {}


def run_jobs(
    scenario: Scenario,
    jobs: Iterable[Job],
    days: float,
    seed: int,
    tick_s: float | None = None,
    workers: int | None = None,
    told: Told | None = None,
    keep: Kept = whole,
) -> dict[str, Any]:
    """Run every job's season and return what ``keep`` makes of each by label, in the order of ``jobs``.

    ``workers`` defaults to the number of cores; 1 runs in this process. After Ctrl-C the seasons that were running
    come back cut short and marked ``interrupted``; those not begun are missing.
    """
    jobs = list(jobs)
    twin = twin_of(scenario, seed, days)
    workers = min(workers or os.cpu_count() or 1, len(jobs))
    if workers <= 1:
        return _run_here(scenario, jobs, days, seed, tick_s, told, keep)
    context = mp.get_context("spawn")  # a fork beside a progress display's thread may hang
    news, stop = context.Queue(), context.Event()
    season = (scenario, days, seed, tick_s)
    futures: dict[str, Future[Any]] = {}
    with ProcessPoolExecutor(workers, context, _start_worker, (news, stop, season, twin)) as pool:
        try:
            with ctrl_c_held():
                futures |= {job.label: pool.submit(_run_job, job, keep) for job in jobs}
            _wait(futures, news, told)
        except KeyboardInterrupt:
            stop.set()
            for future in futures.values():
                future.cancel()
    return {label: f.result() for label, f in futures.items() if not f.cancelled()}


@contextmanager
def ctrl_c_held() -> Iterator[None]:
    """Workers born here never hear Ctrl-C, not even while they load: this process hears it, at the end of the block."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    heard: list[int] = []
    before = signal.signal(signal.SIGINT, lambda number, frame: heard.append(number))
    mask = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, mask)
        signal.signal(signal.SIGINT, before)
    if heard:
        raise KeyboardInterrupt


def _run_here(
    scenario: Scenario, jobs: list[Job], days: float, seed: int, tick_s: float | None, told: Told | None, keep: Kept
) -> dict[str, Any]:
    results: dict[str, Any] = {}
    for job in jobs:
        policy = make_policy(job.policy, scenario, job.rule)
        heard = (lambda done, core_c, label=job.label: told(label, done, core_c)) if told else None
        result = run_season(scenario, policy, days, seed, tick_s, heard)
        results[job.label] = keep(result)
        if result.interrupted:
            break
    return results


def _wait(futures: Mapping[str, Future[Any]], news: Any, told: Told | None) -> None:
    pending = set(futures.values())
    while pending:
        pending = wait(pending, timeout=0.1).not_done
        _pass_on(news, told)


def _pass_on(news: Any, told: Told | None) -> None:
    try:
        while True:
            message = news.get_nowait()
            if told:
                told(*message)
    except queue.Empty:
        return


def _start_worker(news: Any, stop: Any, season: tuple[Scenario, float, int, float | None], twin: Twin) -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # also when the parent could not see to it at birth
    news.cancel_join_thread()  # news that nobody reads any more must not keep a worker alive
    _worker.update(news=news, stop=stop, season=season)
    remember_twin(season[0], season[2], twin)


def _run_job(job: Job, keep: Kept) -> Any:
    scenario, days, seed, tick_s = _worker["season"]

    def progress(days_done: float, core_c: float) -> None:
        _worker["news"].put((job.label, days_done, core_c))
        if _worker["stop"].is_set():
            raise KeyboardInterrupt

    return keep(run_season(scenario, make_policy(job.policy, scenario, job.rule), days, seed, tick_s, progress))
