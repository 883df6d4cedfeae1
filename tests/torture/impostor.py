"""A truck tries to pass for others, at a real broker with the settings and certificates that ship."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from random import Random

from deploy.clock import wall_ms
from deploy.database import read_only
from deploy.waiting import until
from ingest.client import ONLINE
from tests.brokers import PATIENCE_S, Peer, peer
from tests.deploy.authority import Authority, forged, make_authority
from tests.deploy.shipped_broker import ShippedBroker, shipped_broker
from tests.torture.child import Child
from tests.torture.figures import Figure, told
from tests.torture.intruder import Intruder
from tests.torture.tries import (
    ODD_NAMES,
    OTHERS_FILTERS,
    OTHERS_IDS,
    OTHERS_NAMES,
    VICTIM,
    WHO,
    Try,
    mark_of,
    publishing,
    sample,
)

OWN, THEIRS = f"fleet/{WHO}/telemetry", f"fleet/{VICTIM}/telemetry"
ANSWER = f"fleet/{WHO}/received"
PROTOCOLS = ("3.1.1", "5")


@dataclass(slots=True, kw_only=True)
class Scene:
    """Broker, daemon, a truck that is to be robbed, somebody who sees everything."""

    folder: Path
    authority: Authority
    broker: ShippedBroker
    child: Child
    observer: Peer
    victim: Peer
    house: Peer
    now_ms: int = field(default_factory=wall_ms)
    tries: int = 0
    marks: int = 0
    effective: list[str] = field(default_factory=list)

    def mark(self) -> int:
        """Number a sample."""
        self.marks += 1
        return self.marks

    def intruder(self, **how: object) -> Intruder:
        """Connect with the truck's own good certificate."""
        trust = self.authority.trust(self.authority.papers(WHO))
        return Intruder(self.broker.trucks.port, trust, **how)  # type: ignore[arg-type]  # passed on

    def own(self) -> int:
        """Send a sample of the truck's own, as it may; wait until who sees everything has seen it."""
        mark = self.mark()
        with peer(
            self.broker.trucks, tls=self.authority.trust(self.authority.papers(WHO))
        ) as truck:
            truck.publish(OWN, sample(mark, self.now_ms))
        assert until(lambda: mark in self.seen(), PATIENCE_S)
        return mark

    def seen(self) -> dict[int, str]:
        """Give the marks that came through, and where."""
        found = {mark_of(payload): topic for topic, payload in list(self.observer.heard)}
        return {mark: topic for mark, topic in found.items() if mark is not None}


def impostor(folder: Path, seed: int, *, publishes: int, at_least: int) -> Figure:
    """Try everything (of what is published so many, chosen by the seed), then look what came of it."""
    with _scene(folder) as scene:
        forbidden = _publish(scene, Random(seed), publishes)
        forbidden |= _odd_certificates(scene)
        _subscribe(scene)
        _take_over(scene)
        named = _name_others(scene)
        scene.own()
        passed = forbidden.keys() & scene.seen().keys()
        scene.effective += [f"came through: {forbidden[mark]}" for mark in passed]
        scene.effective += _kept(scene)
        _settle(scene, named)
    return told(
        "impostor",
        faults=f"{scene.tries} tries of a truck with a good certificate of its own",
        found=(
            f"{len(scene.effective)} effective",
            f"{named} payloads that name another truck, all in quarantine",
        ),
        seed=seed,
        fine=not scene.effective and scene.tries >= at_least,
        problems=scene.effective[:10],
    )


def _publish(scene: Scene, rng: Random, most: int) -> dict[int, str]:
    """Publish where it may not, now and by last will; give the marks that nobody may see."""
    forbidden: dict[int, str] = {}
    tries = list(publishing())
    rng.shuffle(tries)
    for one in tries[:most]:
        mark = scene.mark()
        forbidden[mark] = str(one)
        payload = sample(mark, scene.now_ms)
        if one.will:
            scene.intruder(protocol=one.protocol, will=one, payload=payload).vanish()
        else:
            intruder = scene.intruder(protocol=one.protocol)
            intruder.publish(one, payload)
            intruder.close()
        scene.tries += 1
    return forbidden


def _odd_certificates(scene: Scene) -> dict[int, str]:
    """Come with names that the authority does not give, though its key has signed them."""
    forbidden: dict[int, str] = {}
    for name in ODD_NAMES:
        papers = forged(scene.folder / "forged", name, by=scene.authority)
        for protocol in PROTOCOLS:
            mark = scene.mark()
            one = Try(topic=THEIRS, qos=1, retain=False, protocol=protocol)
            forbidden[mark] = f"{name}: {one}"
            intruder = Intruder(
                scene.broker.trucks.port, scene.authority.trust(papers), protocol=protocol
            )
            intruder.publish(one, sample(mark, scene.now_ms))
            intruder.close()
            scene.tries += 1
    return forbidden


def _subscribe(scene: Scene) -> None:
    """Listen in; what is meant for this truck comes after all that is not, so its coming ends the wait."""
    for name in OTHERS_FILTERS:
        for protocol in PROTOCOLS:
            intruder = scene.intruder(protocol=protocol)
            intruder.watch(ANSWER)
            intruder.watch(name)
            mark = b"%d" % scene.mark()
            scene.victim.publish(THEIRS, sample(int(mark), scene.now_ms))
            scene.house.publish(f"fleet/{VICTIM}/received", mark)
            scene.house.publish(ANSWER, mark)
            assert intruder.hears(ANSWER, mark) or intruder.over
            _note(scene, intruder, f"heard by {name} ({protocol})")


def _take_over(scene: Scene) -> None:
    """Use the names of others' sessions, kept and new."""
    for name in OTHERS_IDS:
        for clean in (True, False):
            for protocol in PROTOCOLS:
                intruder = scene.intruder(protocol=protocol, client_id=name, clean=clean)
                intruder.watch(ANSWER)
                mark = b"%d" % scene.mark()
                # Whose session it is still hears what is theirs, and the intruder does not.
                scene.house.publish(f"fleet/{VICTIM}/received", mark)
                heard = (f"fleet/{VICTIM}/received", mark)
                if not until(lambda: heard in scene.victim.heard, PATIENCE_S):  # noqa: B023 - used at once
                    scene.effective.append(f"{VICTIM} lost its session to {name} ({protocol})")
                scene.house.publish(ANSWER, mark)
                assert intruder.hears(ANSWER, mark)
                _note(scene, intruder, f"heard as {name} ({protocol})")


def _note(scene: Scene, intruder: Intruder, what: str) -> None:
    alien = {topic for topic, _ in intruder.heard if topic != ANSWER}
    if alien:
        scene.effective.append(f"{what}: {sorted(alien)}")
    intruder.close()
    scene.tries += 1


def _name_others(scene: Scene) -> int:
    """Name others in payloads on the truck's own topic: the broker lets them through, the daemon not."""
    intruder = scene.intruder()
    for name in OTHERS_NAMES:
        for many in (False, True):
            text = sample(scene.mark(), scene.now_ms, names=name)
            one = Try(topic=OWN, qos=1, retain=False, protocol="3.1.1")
            intruder.publish(one, b"[%s]" % text if many else text)
            scene.tries += 1
    assert not intruder.over
    intruder.close()
    return 2 * len(OTHERS_NAMES)


def _kept(scene: Scene) -> list[str]:
    """Ask anew for what the broker keeps: nothing of all this may be there."""
    with _observer(scene.authority, scene.broker) as fresh:
        mark = scene.own()
        assert until(lambda: any(mark_of(each) == mark for _, each in fresh.heard), PATIENCE_S)
        answers = ("received", "status")  # the daemon's, and the gateways' own
        return [
            f"kept by the broker: {topic}"
            for topic, payload in fresh.heard
            if mark_of(payload) not in (None, mark)
            or not topic.endswith((*answers, "telemetry"))
        ]


def _settle(scene: Scene, named: int) -> None:
    """See what the daemon made of it."""
    query = "SELECT count(*) FROM quarantine WHERE reason = 'vehicle_mismatch'"
    scene.child.wait_for(lambda: scene.child.count(query) == named, "the quarantine")
    lost = [word for word in ("broker.lost", "session.taken_over") if word in scene.child.log]
    scene.effective += [f"the daemon said {word}" for word in lost]
    assert scene.child.stop() == 0
    with read_only(scene.child.store) as conn:
        trucks = {name for (name,) in conn.execute("SELECT name FROM vehicle")}
        samples = dict(
            conn.execute(
                "SELECT name, sum(samples) FROM journal JOIN vehicle ON vehicle.id = vehicle_id"
                " GROUP BY name"
            )
        )
    if trucks != {WHO, VICTIM}:
        scene.effective.append(f"the daemon knows {sorted(trucks)}")
    sent = len({payload for topic, payload in scene.observer.heard if topic == THEIRS})
    if samples.get(VICTIM) != sent:
        scene.effective.append(f"{VICTIM} sent {sent} samples and has {samples.get(VICTIM)}")


@contextmanager
def _observer(authority: Authority, broker: ShippedBroker) -> Iterator[Peer]:
    trust = authority.trust(authority.papers("observer"))
    # At the daemon's listener, where a client may give its session a name of its own.
    with peer(broker.house, tls=trust) as found:
        found.watch("#")
        yield found


@contextmanager
def _scene(folder: Path) -> Iterator[Scene]:
    folder.mkdir(parents=True, exist_ok=True)
    authority = make_authority(folder / "authority")
    authority.do("truck", WHO, VICTIM, "observer")
    broker_papers, daemon = authority.papers("broker"), authority.papers("daemon")
    places = {
        "/etc/mosquitto/certs/ca.crt": authority.ca,
        "/etc/mosquitto/certs/crl.pem": authority.crl,
        "/etc/mosquitto/certs/broker.crt": broker_papers.cert,
        "/etc/mosquitto/certs/broker.key": broker_papers.key,
    }
    with ExitStack() as stack:
        broker = stack.enter_context(shipped_broker(folder / "broker", "certificates", places))
        settings = (
            f'[store]\npath = "{folder}/heatbook.db"\n[mqtt]\nhost = "localhost"\n'
            f'port = {broker.house_port}\n[mqtt.tls]\nca_file = "{authority.ca}"\n'
            f'cert_file = "{daemon.cert}"\nkey_file = "{daemon.key}"\n'
        )
        child = Child(folder=folder, settings=settings)
        stack.callback(child.abandon)
        observer = stack.enter_context(_observer(authority, broker))
        child.start()
        online = ("heatbook/heatbook/status", ONLINE)
        child.wait_for(lambda: online in observer.heard, "the daemon online")
        trust = authority.trust(authority.papers(VICTIM))
        victim = stack.enter_context(peer(broker.trucks, tls=trust))
        victim.watch(f"fleet/{VICTIM}/received")
        trust = authority.trust(daemon)
        house = stack.enter_context(peer(broker.house, tls=trust, client_id="heatbook-house"))
        yield Scene(
            folder=folder,
            authority=authority,
            broker=broker,
            child=child,
            observer=observer,
            victim=victim,
            house=house,
        )
