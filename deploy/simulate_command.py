"""``heatbook simulate``: demo trucks, to a broker or into a capture."""

from __future__ import annotations

import threading
import time
from dataclasses import replace
from pathlib import Path
from typing import Annotated

import typer

from deploy.options import fail, moment_of
from simulator.publish import Broker
from simulator.run import SimulateOptions
from simulator.run import run as run_simulator


def simulate_command(
    host: Annotated[str, typer.Option(help="Broker to publish to.")] = "localhost",
    port: Annotated[int, typer.Option(help="Its port.")] = 1883,
    username: Annotated[str | None, typer.Option(help="User at the broker.")] = None,
    password: Annotated[
        str | None,
        typer.Option(
            envvar="HEATBOOK_SIMULATE_PASSWORD", help="Better set in the environment."
        ),
    ] = None,
    ca_file: Annotated[Path | None, typer.Option(help="Authority for TLS.")] = None,
    trucks: Annotated[
        int, typer.Option(help="So many random trucks; 0 is the Northfold demo fleet.")
    ] = 0,
    speed: Annotated[float, typer.Option(min=0.1, help="Simulated seconds per second.")] = 1.0,
    start: Annotated[
        str | None, typer.Option(help="Simulated start, RFC 3339. Default: the demo's day.")
    ] = None,
    for_seconds: Annotated[
        float | None, typer.Option("--for", help="End after so many seconds.")
    ] = None,
    hours: Annotated[
        float | None, typer.Option(help="End after so many simulated hours.")
    ] = None,
    seed: Annotated[int, typer.Option(help="Same seed, same fleet and day.")] = 1,
    capture: Annotated[
        Path | None, typer.Option(help="Write a capture (.gz compresses it).")
    ] = None,
    labels: Annotated[Path | None, typer.Option(help="Write the injected faults.")] = None,
    fleet: Annotated[Path | None, typer.Option(help="Write the fleet file.")] = None,
    no_broker: Annotated[
        bool, typer.Option("--no-broker", help="Only write the capture, as fast as it goes.")
    ] = False,
    wait_for_received: Annotated[
        bool, typer.Option(help="Gateways keep samples until Heatbook says they are safe.")
    ] = True,
) -> None:
    """Drive demo trucks with a physics of their own, to a broker or into a capture."""
    target = Broker(
        host=host,
        port=port,
        username=username,
        password=password,
        tls=ca_file is not None,
        tls_ca=ca_file,
    )
    options = SimulateOptions(
        broker=None if no_broker else target,
        speed=speed,
        trucks=trucks,
        seed=seed,
        for_seconds=for_seconds,
        duration_s=None if hours is None else hours * 3600.0,
        capture=capture,
        labels=labels,
        fleet_file=fleet,
        wait_for_received=wait_for_received,
    )
    if start is not None:
        options = replace(options, start_ms=moment_of("--start", start))
    if no_broker and capture is None:
        fail("--no-broker needs --capture FILE: there is nowhere else to write to", 2)
    stop = threading.Event()
    try:
        done = run_simulator(options, clock=time.monotonic, sleep=time.sleep, stop=stop)
    except KeyboardInterrupt:
        raise typer.Exit(0) from None
    except OSError as error:
        if error.filename is None:
            raise
        fail(f"cannot write {error.filename}: {error.strerror}", 1)
    if not no_broker and done.messages == 0:
        fail(f"no connection to a broker at {host}:{port}; nothing was sent", 1)
    typer.echo(
        f"{done.messages} messages, {done.samples} samples, {done.simulated_s / 3600:.2f} h "
        f"simulated; {done.kept} samples not yet confirmed",
        err=True,
    )
