"""A record judged again by this program's model beside what it holds, site by site and month by month.

::

    record (only read) --Task--> a worker: judge_month --Made--> Folder (this process alone writes)
                                                             └-> Report: what would differ

Units are independent, and a month of one depends on the month before only through what is remembered
at its end. So the months of a site go one after another, sites and parts of a site side by side.
What a partition was made from is kept with it as digests: one whose inputs are the same is not judged again.
"""

import multiprocessing
import os
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import (
    FIRST_COMPLETED,
    CancelledError,
    Executor,
    Future,
    ProcessPoolExecutor,
    wait,
)
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from hashlib import sha256
from pathlib import Path
from typing import cast

import msgspec

from monitor import judge, tables
from monitor.errors import InputError
from monitor.evidence import weights
from monitor.recompute.compared import Compared
from monitor.recompute.kept import Folder
from monitor.recompute.month import Made, Task, judge_month
from monitor.recompute.report import Change, Report, SiteReport, alarm_turns
from monitor.store import Judged, Record, open_record
from monitor.times import month_of, month_span_s

__all__ = ["Asked", "Folder", "Report", "cluster", "model_of", "processes", "read_report", "run"]

HOUR_S, DAY_S = 3_600, 86_400
LAST_MONTH = "2999-12"
PART_UNITS = 20  # of a site that one worker is given at once: some seconds of work
_GOES_ON = "run it again, it goes on where it stopped"

Tell = Callable[[str, int, int], None]  # what was done last, how many months are done, of how many


@dataclass(frozen=True, slots=True)
class Asked:
    """What is to be judged again: no sites are all, no months are all; and by which leak weights."""

    sites: Sequence[str] = ()
    from_month: str = ""
    to_month: str = ""
    weights: bytes = field(default_factory=weights.shipped_bytes)


@dataclass(slots=True)
class _Chain:
    """Months of one site, one after another."""

    site: str
    units: list[Judged]
    left_out: list[str]
    months: list[str]
    at: int = 0
    asked: int = 0  # parts of the present month that are being judged, or are back
    back: list[Made] = field(default_factory=list)
    told: dict[str, Compared] = field(default_factory=dict)  # by month


def model_of(data: bytes) -> str:
    """Name of a model: the version of the rules, and of leak weights that are not this release's.

    Raises
    ------
    InputError
        If it is no file of leak weights, or one that does not fit.
    """
    try:
        weights.decoded(data)
    except ValueError as error:
        raise InputError(f"the weights cannot be used: {error}") from error
    if data == weights.shipped_bytes():
        return judge.VERSION
    return f"{judge.VERSION}-{sha256(data).hexdigest()[:8]}"


def run(home: Path, folder: Path, asked: Asked, executor: Executor, *, tell: Tell) -> Report:
    """Judge what was asked for again where it is not done yet, and report what would differ.

    Parameters
    ----------
    home : Path
        Folder of the record, which is only read; workers read it too.
    folder : Path
        Of the results. Whoever calls holds its lock.
    asked : Asked
    executor : Executor
        Runs `judge_month`.
    tell : callable
        Is told of each month.

    Raises
    ------
    InputError
        If a site or month is none, or the folder cannot be written.
    StoreError
        If the record cannot be read.
    """
    tables.is_parquet(Path("hours.parquet"))  # says what to install where it is missing
    kept = Folder(folder, model_of(asked.weights))
    with open_record(home, read_only=True) as record:
        chains = _chains(record, asked)
        kept.open()
        _work(home, kept, chains, asked, executor, tell=tell)
        report = _report(record, kept, chains, asked)
    kept.write_report(msgspec.json.format(msgspec.json.encode(report)))
    return report


def read_report(folder: Path, data: bytes) -> Report:
    """The report of the last run of a model.

    Raises
    ------
    InputError
        If there is none, or it is none of this version's.
    """
    kept = Folder(folder, model_of(data))
    try:
        return msgspec.json.decode(kept.report(), type=Report)
    except msgspec.DecodeError as error:
        raise InputError(f"the report in {kept.path} cannot be read: {error}") from error


# --- which months ---------------------------------------------------------------------------------


def _chains(record: Record, asked: Asked) -> list[_Chain]:
    codes = [site.code for site in record.sites()]
    for site in asked.sites:
        if site not in codes:
            raise InputError(f'there is no site "{site}"')
    last_s = month_span_s(asked.to_month or LAST_MONTH)[1]
    if asked.from_month and month_span_s(asked.from_month)[0] >= last_s:
        raise InputError("--from is after --to")
    of = {unit.code: unit.site for unit in record.units()}
    judged = record.judged()
    return [
        _chain(site, [unit for unit in judged if of[unit.unit] == site], last_s=last_s)
        for site in codes
        if not asked.sites or site in asked.sites
    ]


def _chain(site: str, units: list[Judged], *, last_s: int) -> _Chain:
    """Months from the first reading of any unit on; a unit whose first ones are gone is left out."""
    heard = [unit for unit in units if unit.heard_s is not None]
    gone = [unit.unit for unit in heard if _is_cut(unit)]
    here = [unit for unit in heard if unit.unit not in gone]
    at_s = min((unit.heard_s or 0 for unit in here), default=0)
    end_s = min(max((unit.to_hour * HOUR_S for unit in here), default=0), last_s)
    months = []
    while at_s < end_s:
        months.append(month_of(at_s))
        at_s = month_span_s(months[-1])[1]
    return _Chain(site, here, gone, months)


def _is_cut(unit: Judged) -> bool:
    """Whether hours are in the record of which the readings were dropped."""
    begun = (unit.heard_s or 0) // DAY_S * 24
    return unit.from_hour is not None and unit.from_hour < begun


# --- the work -------------------------------------------------------------------------------------


def _work(
    home: Path,
    kept: Folder,
    chains: Sequence[_Chain],
    asked: Asked,
    executor: Executor,
    *,
    tell: Tell,
) -> None:
    """Have one month of each site judged at a time, whichever is done first."""
    total = sum(len(chain.months) for chain in chains)
    work = _Work(home, kept, asked.weights, lambda said, done: tell(said, done, total))
    running: dict[Future[Made], _Chain] = {}
    waiting = [(chain, task) for chain in chains for task in work.tasks(chain)]
    try:
        while running or waiting:
            running |= {executor.submit(judge_month, task): chain for chain, task in waiting}
            waiting = []
            for future in wait(running, return_when=FIRST_COMPLETED).done:
                chain = running.pop(future)
                waiting += [(chain, task) for task in work.take(chain, future.result())]
    except BrokenProcessPool as error:
        raise InputError(
            f"a worker ended before its work was done (memory?); {_GOES_ON}"
        ) from error
    finally:
        for future in running:
            future.cancel()


@dataclass(slots=True)
class _Work:
    """What is to be asked for next, and what becomes of what came back."""

    home: Path
    kept: Folder
    weights: bytes
    tell: Callable[[str, int], None]
    done: int = 0

    def tasks(self, chain: _Chain) -> list[Task]:
        """Parts of a chain's next month that has any; none: the chain is at its end."""
        while chain.at < len(chain.months):
            tasks = self._of_month(chain)
            if tasks:
                chain.asked, chain.back = len(tasks), []
                return tasks
            self._end(chain, "nothing to judge")
        return []

    def _of_month(self, chain: _Chain) -> list[Task]:
        month = chain.months[chain.at]
        from_s, to_s = month_span_s(month)
        before = self.kept.memories(chain.site, chain.months[chain.at - 1]) if chain.at else {}
        done = self.kept.done(chain.site, month)
        tasks = []
        for part, first in enumerate(range(0, len(chain.units), PART_UNITS)):
            units = {
                unit.unit: unit.to_hour
                for unit in chain.units[first : first + PART_UNITS]
                if (unit.heard_s or 0) < to_s and unit.to_hour * HOUR_S > from_s
            }
            memories = {code: memory for code, memory in before.items() if code in units}
            inputs = "" if done is None else done.inputs.get(part, "")
            of = (self.home, chain.site, month, part, judge.VERSION, self.weights)
            if units:
                tasks.append(Task(*of, units=units, memories=memories, inputs=inputs))
        return tasks

    def take(self, chain: _Chain, made: Made) -> list[Task]:
        """Take what came back; keep the month when all of it is, and say what comes next."""
        chain.back.append(made)
        if len(chain.back) < chain.asked:
            return []
        month = chain.months[chain.at]
        parts = sorted((one for one in chain.back if one.inputs), key=lambda one: one.task.part)
        done = self.kept.done(chain.site, month)
        as_it_was = [one for one in parts if not one.files]
        same = {one.task.part: one.inputs for one in parts}
        if not parts:
            self._end(chain, "nothing to judge")
        elif done is not None and len(as_it_was) == len(parts) and done.inputs == same:
            chain.told[month] = done.told
            self._end(chain, "as it was")
        elif as_it_was:  # their rows lie among others that are made anew
            chain.back = [one for one in chain.back if one not in as_it_was]
            return [replace(one.task, inputs="") for one in as_it_was]
        else:
            chain.told[month] = self.kept.keep(chain.site, month, parts)
            self._end(chain, f"{chain.told[month].hours} hours judged and compared")
        return self.tasks(chain)

    def _end(self, chain: _Chain, said: str) -> None:
        month = chain.months[chain.at]
        if month not in chain.told:
            self.kept.forget(chain.site, month)
        chain.at += 1
        self.done += 1
        self.tell(f"{chain.site} {month}: {said}", self.done)


# --- the report -----------------------------------------------------------------------------------


def _report(record: Record, kept: Folder, chains: Sequence[_Chain], asked: Asked) -> Report:
    months = sorted({month for chain in chains for month in _wanted(chain, asked)})
    versions = {unit.version for chain in chains for unit in chain.units} - {""}
    return Report(
        model=model_of(asked.weights),
        weights=weights.decoded(asked.weights).table.version,
        record=sorted(versions),
        months=[*months[:1], *months[-1:]],
        sites=[_site_report(record, kept, chain, asked) for chain in chains],
    )


def _wanted(chain: _Chain, asked: Asked) -> list[str]:
    return [month for month in chain.months if month >= asked.from_month]


def _site_report(record: Record, kept: Folder, chain: _Chain, asked: Asked) -> SiteReport:
    hours = Compared()
    wanted = _wanted(chain, asked)
    for month in wanted:
        hours.add(chain.told.get(month, Compared()))
    report = SiteReport(chain.site, len(chain.units), hours, [], chain.left_out)
    if not wanted:
        return report
    found: dict[str, list[Change]] = {}
    for unit, change in kept.changes(chain.site, chain.months):
        found.setdefault(unit, []).append(change)
    units = {unit.code: unit for unit in record.units()}
    placements = record.placements()
    span_s = month_span_s(wanted[0])[0], month_span_s(wanted[-1])[1]
    for judged in chain.units:
        changes = found.get(judged.unit, [])
        report.alarms += alarm_turns(
            record, units[judged.unit], judged, placements, changes, span_s=span_s
        )
    return report


# --- who does the work ----------------------------------------------------------------------------


@contextmanager
def processes(workers: int) -> Iterator[Executor]:
    """Processes of this machine, each with an interpreter of its own; they end with this one."""
    context = multiprocessing.get_context("spawn")
    pool = ProcessPoolExecutor(workers, mp_context=context, initializer=_end_with_parent)
    try:
        yield pool
    finally:
        pool.shutdown(cancel_futures=True)


def _end_with_parent() -> None:
    """End this worker when the command is gone, however that ended."""
    parent = multiprocessing.parent_process()
    if parent is None:
        return

    def follow() -> None:
        parent.join()
        os._exit(1)

    threading.Thread(target=follow, daemon=True).start()


@contextmanager
def cluster(address: str) -> Iterator[Executor]:
    """Workers of a Dask scheduler, each of which must see the record's folder under the same path.

    Raises
    ------
    InputError
        If `distributed` is missing, or the scheduler cannot be reached or has no workers.
    """
    try:
        from distributed import Client, KilledWorker
    except ImportError:
        raise InputError(
            "--scheduler needs the extra sillkeep[cluster] (pip install 'sillkeep[cluster]')"
        ) from None
    try:
        client = Client(address, timeout=10)
    except (OSError, ValueError) as error:
        raise InputError(f"no scheduler answers at {address}: {error}") from error
    with client:
        if not client.scheduler_info()["workers"]:
            raise InputError(f"the scheduler at {address} has no workers; start `dask worker`")
        try:
            yield cast("Executor", client.get_executor(pure=False))
        except (KilledWorker, CancelledError) as error:
            raise InputError(f"the work at {address} was lost; {_GOES_ON}") from error
