"""Tries out whether a broker can be trusted with the daemon's messages.

Brokers confirm what they will not keep, grant subscriptions that deliver nothing, and drop what
their queue does not hold, all without an error. So nothing here asks the broker: it is tried,
under client ids of the check's own and on topics below `heatbook/check/`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Literal

from deploy.probe import Probe
from ingest.errors import BadBroker, BrokerLost
from ingest.mqtt_settings import MqttSettings

Level = Literal["good", "caution", "fault"]

QUEUE = 1_100
"""Messages sent to an absent subscriber: more than the 1,000 a common default holds."""

SMALL_WINDOW = 100
"""Below so many unacknowledged messages the window and not the machine limits a commit."""

PATIENCE_S = 5.0
"""How long each step waits for an answer [s]."""

PROFILE = "See deploy/mosquitto/heatbook.conf."


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One thing found: what, and how to mend it (empty when there is nothing to mend)."""

    level: Level
    what: str
    mend: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Trial:
    settings: MqttSettings
    check_id: str
    patience_s: float

    def probe(self, role: str, *, clean: bool = True) -> Probe:
        suffix = f"check-{self.check_id}-{role}"
        patience_s = self.patience_s
        return Probe(self.settings, suffix=suffix, patience_s=patience_s, clean=clean)

    def topic(self, name: str) -> str:
        return f"heatbook/check/{self.check_id}/{name}"


def examine(
    settings: MqttSettings, *, check_id: str, patience_s: float = PATIENCE_S
) -> list[Finding]:
    """Try the broker out; the last finding says whether it is fit for production.

    `check_id` is a fresh token: it keeps two checks at the same time apart.
    """
    trial = _Trial(settings=settings, check_id=check_id, patience_s=patience_s)
    findings: list[Finding] = []
    try:
        for step in _STEPS:
            findings.extend(step(trial))
    except BadBroker as problem:
        findings.append(Finding(level="fault", what=problem.what, mend=problem.mend))
        findings.extend(_other_version(trial))
    except BrokerLost as problem:
        mend = "Check host, port and protocol, and that the broker runs."
        findings.append(Finding(level="fault", what=f"Broker lost: {problem}.", mend=mend))
        findings.extend(_other_version(trial))
    return [*findings, _verdict(findings)]


def _version(trial: _Trial) -> Iterator[Finding]:
    with trial.probe("version") as probe:
        where = f"{trial.settings.host}:{trial.settings.port}"
        yield Finding(
            level="good", what=f"Connected to {where} with MQTT {trial.settings.protocol}."
        )
        probe.subscribe("$SYS/broker/version")
        said = probe.hears(1, wait_s=1.0)
        name = probe.heard[0].payload.decode(errors="replace") if said else "it does not say"
        yield Finding(level="good", what=f"The broker is: {name}.")


def _round_trips(trial: _Trial) -> Iterator[Finding]:
    """Publish to ourselves: only arrival proves that the access list lets both through."""
    for topic in (trial.topic("round-trip"), "fleet/heatbook-check/received"):
        with trial.probe("round-trip") as probe:
            probe.subscribe(topic)
            probe.publish(topic, [b"{}"])
            arrived = probe.hears(1)
            probe.ack(probe.heard)
        if arrived:
            yield Finding(level="good", what=f"What we publish on {topic} arrives.")
        else:
            yield Finding(
                level="fault",
                what=f"What we publish on {topic} does not arrive, though the broker took it.",
                mend="Let this user read and write it in the access list"
                " (deploy/mosquitto/acl shows how).",
            )


def _session(trial: _Trial) -> Iterator[Finding]:
    """One offline queue shows all: session, queue, window, redelivery."""
    topic = trial.topic("queue")
    with trial.probe("session", clean=False) as probe:
        probe.subscribe(topic)
    with trial.probe("sender") as sender:
        confirmed = sender.publish(topic, [b"%d" % number for number in range(QUEUE)])
    with trial.probe("session", clean=False) as probe:
        yield _session_kept(probe)
        probe.hears(QUEUE, wait_s=1.0)
        window = len(probe.heard)
    with trial.probe("session", clean=False) as probe:
        again = probe.hears(1)
        arrived = _drain(probe, QUEUE)
    with trial.probe("session"):
        pass  # a clean start ends the session, so that nothing collects for it any more
    yield _window(trial, window)
    yield _redelivery(window, again and probe.heard[0].payload == b"0")
    yield _queue(confirmed, arrived)


def _drain(probe: Probe, count: int) -> int:
    """Acknowledge and collect until nothing more comes; count what is different."""
    done = 0
    while done < count and (len(probe.heard) > done or probe.hears(done + 1)):
        upto = len(probe.heard)
        probe.ack(probe.heard[done:upto])
        done = upto
    return len({message.payload for message in probe.heard})


def _session_kept(probe: Probe) -> Finding:
    if probe.session_present:
        return Finding(level="good", what="The session is there after a reconnect.")
    return Finding(
        level="fault",
        what="The session is gone after a reconnect, and with it what came in between.",
        mend="Allow persistent sessions on the broker.",
    )


def _window(trial: _Trial, window: int) -> Finding:
    wanted = trial.settings.receive_maximum if trial.settings.protocol == "5" else SMALL_WINDOW
    what = f"{window} messages may be unacknowledged at once."
    if window >= min(wanted, SMALL_WINDOW):
        return Finding(level="good", what=what)
    mend = f"Set protocol to 5, or max_inflight_messages 1000 on the broker. {PROFILE}"
    return Finding(level="caution", what=f"Only {what[0].lower()}{what[1:]}", mend=mend)


def _redelivery(window: int, again: bool) -> Finding:
    if again:
        return Finding(level="good", what="Unacknowledged messages come again.")
    return Finding(
        level="fault",
        what=f"{window} messages sent and not acknowledged did not come again"
        " after a reconnect: a daemon that restarts loses what it had under way.",
        mend="Use another broker (mosquitto for one). Gateways that wait for"
        " fleet/{vehicle}/received are safe all the same.",
    )


def _queue(confirmed: int, arrived: int) -> Finding:
    if arrived >= confirmed:
        what = f"All {confirmed} messages sent while away arrived."
        return Finding(level="good", what=what)
    return Finding(
        level="fault",
        what=f"Of {confirmed} messages confirmed while away only {arrived} arrived.",
        mend=f"Set max_queued_messages 0 and a max_queued_bytes on the broker. {PROFILE}",
    )


def _other_version(trial: _Trial) -> Iterator[Finding]:
    """Tell whether the broker would answer in the other MQTT version."""
    other: Literal["5", "3.1.1"] = "3.1.1" if trial.settings.protocol == "5" else "5"
    settings = replace(trial.settings, protocol=other)
    try:
        with replace(trial, settings=settings).probe("version"):
            mend = f'Set protocol = "{other}".'
            yield Finding(level="fault", what=f"It answers in MQTT {other}.", mend=mend)
    except (BadBroker, BrokerLost):
        return


def _verdict(findings: list[Finding]) -> Finding:
    faults = [finding for finding in findings if finding.level == "fault"]
    if faults:
        words = " ".join(finding.what for finding in faults)
        mend = "Mend the faults above, then check again."
        return Finding(level="fault", what=f"Not fit for production: {words}", mend=mend)
    return Finding(
        level="good",
        what="Fit for production. What cannot be tried from here: whether the broker keeps its"
        " queue when it is killed (mosquitto: persistence true, autosave_interval 60).",
    )


_STEPS: tuple[Callable[[_Trial], Iterator[Finding]], ...] = (_version, _round_trips, _session)
