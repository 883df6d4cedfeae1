"""The demo: a broker, a simulated fleet, the real daemon, and a view of what it finds."""

from __future__ import annotations

import signal
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

from rich.console import Console
from rich.live import Live

from deploy.broker import Kind, RunningBroker, find_broker, start_broker
from deploy.clock import ScaledClock, wall_ms
from deploy.demo_console import Door, door, show
from deploy.demo_daemon import LISTENING, serving
from deploy.demo_facts import Facts, look
from deploy.demo_past import begin
from deploy.demo_people import text_service
from deploy.demo_settings import (
    FLEET,
    MAX_GAP_S,
    SILENT_AFTER_S,
    STORE,
    Told,
    write_settings,
)
from deploy.demo_view import PICTURE, Room, drawn, picture, summary, told_line
from deploy.fleet import load_fleet
from models.kernel import warm_up
from models.units import METRIC
from review.trucks import CourseOf, courses_of
from simulator.northfold import START_MS
from simulator.publish import Broker
from simulator.run import SimulateOptions
from simulator.run import run as run_simulator

LOOK_EVERY_S = 0.5
START_AFTER_MS = 4_000
"""The daemon needs so long until it listens [ms]: the day should not begin without it."""

START_LIMIT_S = 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoOptions:
    """What the demo is asked for."""

    for_seconds: float | None = None
    broker: Kind | None = None
    speed: float = 240.0
    folder: Path | None = None
    picture: Path | None = None
    history: bool = True
    open_browser: bool = False


class Stopped(Exception):
    """Somebody ended the demo before it had begun."""


class DaemonFailed(Exception):
    """The daemon of the demo ended by itself; the message carries its last words."""


def run_demo(options: DemoOptions) -> int:
    """Run the demo to its end; give the exit code."""
    console = Console()
    stopping = threading.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda _number, _frame: stopping.set())
    try:
        with ExitStack() as stack:
            folder = options.folder or Path(
                stack.enter_context(TemporaryDirectory(prefix="heatbook-demo-"))
            )
            folder.mkdir(parents=True, exist_ok=True)
            if (folder / STORE).exists():
                console.print(
                    f"{folder} already holds a demo; name another folder", markup=False
                )
                return 2
            demo = stack.enter_context(_parts(options, folder, console, stopping))
            return _show(demo, options, console, stopping)
    except Stopped:
        return 0
    except DaemonFailed as error:
        console.print(f"The demo's daemon failed: {error}", markup=False)
        return 1


@dataclass(frozen=True, slots=True, kw_only=True)
class _Demo:
    daemon: subprocess.Popen[bytes]
    clock: ScaledClock
    store: Path
    courses: CourseOf
    titles: dict[str, str]
    log: Path
    door: Door

    def facts(self) -> Facts | None:
        return look(
            self.store,
            courses=self.courses,
            titles=self.titles,
            now_ms=self.clock(),
            since_ms=START_MS,
        )

    def check(self) -> None:
        if self.daemon.poll() is not None:
            raise DaemonFailed(self.log.read_text(encoding="utf-8")[-2000:])


@contextmanager
def _parts(
    options: DemoOptions, folder: Path, console: Console, stopping: threading.Event
) -> Iterator[_Demo]:
    """Start broker, daemon and trucks; end them in the opposite order, whatever happens."""
    kind = options.broker or find_broker()
    console.print(
        "Getting the models ready (the first start compiles them: half a minute or more) …"
    )
    warm_up()  # here, so that the daemon finds them compiled and the day does not start without it
    begin(folder, console, history=options.history)
    if stopping.is_set():
        raise Stopped
    console.print(f"Starting a {kind} broker, the daemon, and ten trucks …")
    broker = start_broker(kind, directory=folder)
    try:
        entrance = door(folder / STORE)
        fleet = load_fleet(folder / FLEET)
        anchor_ms = wall_ms() + START_AFTER_MS
        clock = ScaledClock(anchor_ms=anchor_ms, start_ms=START_MS, rate=options.speed)
        log = folder / "daemon.log"
        with text_service() as texts, log.open("wb") as out:
            told = Told(broker=broker, clock=clock, door=entrance, texts=texts)
            with serving(write_settings(folder, told), out) as daemon:
                demo = _Demo(
                    daemon=daemon,
                    clock=clock,
                    store=folder / STORE,
                    courses=courses_of(
                        fleet, max_gap_s=MAX_GAP_S, silent_after_s=SILENT_AFTER_S
                    ),
                    titles={name: each.title for name, each in fleet.vehicles.items()},
                    log=log,
                    door=entrance,
                )
                _wait_for_daemon(demo, stopping)
                _say_where(demo, options, console)
                with _trucks(broker, options, clock):
                    yield demo
    finally:
        broker.stop()


def _say_where(demo: _Demo, options: DemoOptions, console: Console) -> None:
    said = f"The console: {demo.door.words}"
    console.print(said, markup=False, highlight=False, soft_wrap=True)
    if options.open_browser and not show(demo.door.address):
        console.print("There is no desktop here to open it on.")


def _wait_for_daemon(demo: _Demo, stopping: threading.Event) -> None:
    """Wait until it listens, to trucks and to browsers: the first start compiles a little more."""
    deadline = time.monotonic() + START_LIMIT_S
    while not all(each in demo.log.read_bytes() for each in LISTENING):
        demo.check()
        if b"web.unavailable" in demo.log.read_bytes():
            taken = f"another program has taken port {demo.door.port} just now; start the demo again"
            raise DaemonFailed(taken)
        if time.monotonic() > deadline:
            raise DaemonFailed("it did not start in time")
        if stopping.wait(0.1):
            raise Stopped


@contextmanager
def _trucks(broker: RunningBroker, options: DemoOptions, clock: ScaledClock) -> Iterator[None]:
    stop = threading.Event()
    simulate = SimulateOptions(
        broker=Broker(host=broker.host, port=broker.port),
        speed=options.speed,
        start_ms=START_MS,
    )
    began = time.monotonic() + (clock.anchor_ms - wall_ms()) / 1000.0
    thread = threading.Thread(
        target=run_simulator,
        args=(simulate,),
        kwargs={"clock": time.monotonic, "sleep": time.sleep, "stop": stop, "began": began},
        name="trucks",
    )
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join()


def _show(
    demo: _Demo, options: DemoOptions, console: Console, stopping: threading.Event
) -> int:
    began = time.monotonic()

    def over() -> bool:
        if stopping.is_set():
            return True
        return options.for_seconds is not None and (
            time.monotonic() - began >= options.for_seconds
        )

    if console.is_terminal:
        facts = _show_live(demo, options, console, over)
    else:
        facts = _show_lines(demo, console, over)
    if options.picture is not None:
        view = picture(
            facts, now_ms=demo.clock(), speed=options.speed, units=METRIC, room=PICTURE
        )
        options.picture.write_text(drawn(view), encoding="utf-8")
    console.print(summary(facts, METRIC))
    return 0


def _show_live(
    demo: _Demo, options: DemoOptions, console: Console, over: Callable[[], bool]
) -> Facts:
    facts = demo.facts() or Facts()
    with Live(console=console, screen=True, auto_refresh=False) as live:
        while not over():
            demo.check()
            facts = demo.facts() or facts
            live.update(
                picture(
                    facts,
                    now_ms=demo.clock(),
                    speed=options.speed,
                    units=METRIC,
                    room=Room(columns=console.width, lines=console.height),
                    console=demo.door.words,
                ),
                refresh=True,
            )
            time.sleep(LOOK_EVERY_S)
    return facts


def _show_lines(demo: _Demo, console: Console, over: Callable[[], bool]) -> Facts:
    """Without a terminal: one line for each notice."""
    facts = demo.facts() or Facts()
    shown = 0
    while not over():
        demo.check()
        facts = demo.facts() or facts
        for one in facts.told[shown:]:
            console.print(told_line(one), markup=False, highlight=False)
        shown = len(facts.told)
        time.sleep(LOOK_EVERY_S)
    return facts
