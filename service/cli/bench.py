"""``bench``: measures this installation, on this machine, with what the figures rest on."""

import argparse
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from datetime import datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from service.assessment.assess import Assessment, assess
from service.assessment.clock import RecordingClock
from service.assessment.memory import Memory
from service.bench.cases import case_of
from service.bench.figures import Spread, spread
from service.bench.intake import Measured, Plan, measure
from service.bench.prompts import Prompts, by_habits, count, tell
from service.clock import SystemClock
from service.facts.case import Case
from service.fhir.codes import load_codes
from service.generate.stream import orders
from service.generate.traffic import shipped
from service.generate.words import HOSPITAL
from service.policy.files import mappings
from service.policy.load import load, profiles
from service.policy.policy import Policy, Site

TIMES = 300
SIZES = ((20, 1), (60, 1), (60, 2), (200, 2))
MILLI, MICRO = 1e3, 1e6


def add_to(commands: Any) -> None:
    """Adds the command to the parser."""
    parser = commands.add_parser("bench", help="measure this installation")
    what = parser.add_subparsers(metavar="WHAT", required=True)
    pure = what.add_parser("assess", help="assess at several sizes, with and without memory")
    pure.set_defaults(run=run_assess)
    intake = what.add_parser("intake", help="vital signs through HTTP to two partner stand-ins")
    intake.add_argument("--rate", type=float, default=300, help="panels per second (default 300)")
    intake.add_argument("--seconds", type=float, default=60, help="how long (default 60)")
    intake.add_argument("--workers", type=int, default=2, help="service processes (default 2)")
    intake.add_argument("--stall", type=float, default=0, help="stop the service for so many s")
    intake.add_argument("--profile", action="store_true", help="show where the time goes")
    intake.set_defaults(run=run_intake)
    asked = what.add_parser("prompts", help="how often generated units are objected to")
    asked.add_argument("--units", type=int, default=300, help="how many (default 300)")
    asked.add_argument("--seed", type=int, default=1, help="a whole number (default 1)")
    asked.add_argument("--release", choices=("R4", "R5"), default="R4", help="which messages")
    asked.add_argument("--profile", action="append", help="which policy; all when left out")
    asked.add_argument("--ordinary", action="store_true", help="not only clean routine units")
    asked.set_defaults(run=run_prompts)


def run_assess(arguments: argparse.Namespace) -> int:
    """Prints median and 99th percentile in µs, cold (each judgement anew) and warm."""
    policy = load("default", mappings())
    codes = load_codes(mappings() / "codes")
    site = _site()
    now = SystemClock().now()
    print(f"assess, {TIMES} times each, µs       cold p50    p99     warm p50    p99")
    for size, units in SIZES:
        case = case_of(size, units, now, site, codes)
        memory = Memory()
        cold = _timed(partial(_once, case, policy, site, now, None))
        warm = _timed(partial(_once, case, policy, site, now, memory))
        name = f"{size} facts, {units} unit{'s' if units > 1 else ''}"
        print(
            f"{name:<34} {cold.p50 * MICRO:8.0f} {cold.p99 * MICRO:6.0f} "
            f"{warm.p50 * MICRO:12.0f} {warm.p99 * MICRO:6.0f}"
        )
    return 0


def _once(
    case: Case, policy: Policy, site: Site, now: datetime, memory: Memory | None
) -> Assessment:
    return assess(case, policy, site, RecordingClock(now), memory)


def _timed(work: Callable[[], object]) -> Spread:
    taken = []
    for _ in range(TIMES):
        began = time.perf_counter()
        work()
        taken.append(time.perf_counter() - began)
    return spread(taken)


def run_intake(arguments: argparse.Namespace) -> int:
    """Prints what was sent, answered, stored and delivered; 1 when something was lost or void."""
    plan = Plan(
        rate=arguments.rate,
        seconds=arguments.seconds,
        workers=arguments.workers,
        stall=arguments.stall,
        profile=arguments.profile,
    )
    with tempfile.TemporaryDirectory() as folder:
        found = measure(plan, Path(folder), SystemClock(), print)
    _print(found)
    wrong = _wrong(found)
    for fault in wrong:
        print(f"VOID: {fault}")
    return 1 if wrong else 0


def _wrong(found: Measured) -> list[str]:
    """Why the figures prove nothing: the driver was late, or not everything arrived as it was."""
    sent = found.delivered
    faults = [found.run.void] if found.run.void else []
    if found.run.errors:
        faults.append(f"{found.run.errors} requests were not answered 200 or 201")
    if sent.missing or sent.wrong:
        faults.append(
            f"{sent.missing} rows are missing at a stand-in, {sent.wrong} are wrong there"
        )
    return faults


def _print(found: Measured) -> None:
    run, sent = found.run, found.delivered
    processes = {name: f"{used:.1f} s" for name, used in found.processor.items()}
    print(
        f"planned      {found.plan.rate:g}/s for {found.plan.seconds:g} s, "
        f"{found.plan.workers} service process(es), driver and stand-ins beside them"
    )
    print(f"answered     {run.achieved:.1f}/s, {run.errors} errors of {len(run.sent)}")
    print(f"latency ms   {_spread(run.latency, MILLI)}")
    print(f"sent late    {run.late:.2%} of requests by more than 5 ms (above 1 % a run is void)")
    print(
        f"delivered    {sent.arrived} rows held byte for byte and in order, "
        f"{sent.missing} missing, {sent.wrong} wrong; {sent.emitted} of them in the run"
    )
    print(f"lag ms       {_spread(sent.lag, MILLI)}")
    print(f"backlog      {found.backlog} rows at the last answer, none after {found.drained:.1f} s")
    print(f"processor    {processes}, of {timedelta(seconds=round(found.plan.seconds))}")
    if found.profile is not None:
        total = sum(found.profile.sums.values()) or 1.0
        for phase, used in sorted(found.profile.sums.items(), key=lambda pair: -pair[1]):
            print(f"  {phase:<24} {used:7.2f} s  {used / total:6.1%}")


def run_prompts(arguments: argparse.Namespace) -> int:
    """Prints what was asked, per profile; 1 where it is more than the budget allows."""
    routine = not arguments.ordinary
    names = arguments.profile or list(profiles(mappings()))
    policies = {name: load(name, mappings()) for name in names}
    site = _site()
    codes = load_codes(mappings() / "codes")
    found = {name: Prompts() for name in names}
    for habits, alike in by_habits(policies).items():
        made = orders(arguments.units, arguments.seed, shipped(), routine=routine, habits=habits)
        for plan, messages in made:
            told = tell(plan, messages, arguments.release, site, codes)
            for name in alike:
                count(told, policies[name], site, found[name])
    print(f"{arguments.units} {'routine' if routine else 'ordinary'} units, {arguments.release}")
    for name, prompts in found.items():
        _print_prompts(name, prompts)
    return 0 if all(one.within_budget(routine=routine) for one in found.values()) else 1


def _print_prompts(name: str, found: Prompts) -> None:
    print(
        f"{name:<8} {found.total / found.units:.4f} prompts per unit at check and start: "
        f"{found.acknowledgements} acknowledgements, {found.authorisations} authorisations, "
        f"{found.refusals} refusals; {found.prompted} units of {found.units} had any"
    )
    print(f"         Tasks to the ward: {_listed(found.tasks)}")
    for title, counted in (("asked", found.asked), ("advised", found.advised)):
        for said, times in counted.most_common():
            print(f"         {title} {times:>5} x {' '.join(said)}")


def _listed(counted: Counter[str]) -> str:
    return ", ".join(f"{times} {name}" for name, times in sorted(counted.items())) or "none"


def _site() -> Site:
    systems = (f"{HOSPITAL}/patient",)
    return Site(facility="bench", zone=ZoneInfo("Europe/London"), identity_systems=systems)


def _spread(one: Spread, by: float) -> str:
    return (
        f"p50 {one.p50 * by:.1f}  p90 {one.p90 * by:.1f}  p99 {one.p99 * by:.1f}  "
        f"largest {one.largest * by:.1f}"
    )
