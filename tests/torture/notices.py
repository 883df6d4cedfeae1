"""Notices through every outage, a storm and a flapping sensor; the clock is turned, the sockets are real."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from random import Random

from models.transition import Priority
from tests.torture.figures import Figure, told, yes
from tests.torture.notice_checker import NoticeVerdict
from tests.torture.notice_sides import WEB, Mood
from tests.torture.notice_stage import HURRIED_S, MINUTE, NOON, PEOPLE, SECOND, Stage, stage

MOST_IN_A_MINUTE = 3
"""Notices to one person in the first minute of a storm [-]: what is asked."""

MOST_OF_A_FLAPPER = 2
"""Notices to one person of a sensor that comes and goes for an hour [-]: what is asked."""

RESTARTS_A_STEP = 0.02
"""How likely the process is started anew in a step [-]."""

CRITICAL_SHARE = 0.05
"""Share of the alarms of a storm that are critical [-]."""

SLOWLY_S = 30
"""From how long on a storm is called a slow one [s]."""

TEMPERS = tuple(mood for mood in Mood if mood is not Mood.FINE)


def figure_of(
    name: str, verdict: NoticeVerdict, *, seed: int, faults: str, also: str, fine: bool = True
) -> Figure:
    """Write the line of an experiment with notices."""
    found = (
        f"{verdict.tellings} tellings in {verdict.messages} messages",
        f"{verdict.missing} missing",
        f"{verdict.waiting} still waiting",
        f"{verdict.twice} under a second id",
        f"{verdict.foreign} nobody committed",
        f"{verdict.altered} altered",
        f"{verdict.disordered} out of order",
        f"{verdict.unnamed} not named",
        f"{verdict.repeats} repeats under the same id",
        also,
    )
    return told(
        name,
        faults=faults,
        found=found,
        seed=seed,
        fine=fine and verdict.holds,
        problems=verdict.problems,
    )


def notice_outage(folder: Path, seed: int, *, trucks: int, step_s: int) -> Figure:
    """A day with both far sides down, an hour's calm, then hours in which they are anything but well."""
    rng = Random(f"{seed}/notice_outage")
    with stage(folder, timeout_s=HURRIED_S) as play:
        days = _Days(play=play, rng=rng, step_s=step_s)
        days.go_on(_FINE, trucks=2)
        days.go_on([(Mood.DOWN, Mood.DOWN)] * (24 * 3600 // step_s), trucks=trucks // 2)
        before = {person: len(set(play.to(person))) for person in PEOPLE}
        play.be(Mood.FINE)
        back_ms = play.settle()
        mails = max(len(set(play.to(person))) - before[person] for person in PEOPLE)
        days.go_on(_flapping(rng, 6 * 3600 // step_s, step_s), trucks=trucks // 2)
        play.be(Mood.FINE)
        play.settle()
        again = play.send_again()
        play.settle()
        verdict = play.verdict()
        restarts = play.restarts
    return figure_of(
        "notice_outage",
        verdict,
        seed=seed,
        faults=f"24 h down, then 6 h of {len(TEMPERS)} faults, {restarts} restarts",
        also=f"all of the 24 h told {back_ms / MINUTE:.0f} min after their end in {mails} mails to one "
        f"person, {again} given up and sent again by hand",
    )


_Moods = Sequence[tuple[Mood, Mood]]
_FINE: _Moods = [(Mood.FINE, Mood.FINE)] * 10


def _flapping(rng: Random, steps: int, step_s: int) -> _Moods:
    """Give moods of web and mail: each for ten minutes well, for ten minutes not, not in time."""
    found = []
    web = mail = Mood.FINE
    turn = max(2, 600 // step_s)
    for nth in range(steps):
        if nth % turn == 0:
            web = Mood.FINE if web is not Mood.FINE else rng.choice(TEMPERS)
        if nth % turn == turn // 2:
            mail = Mood.FINE if mail is not Mood.FINE else rng.choice(TEMPERS)
        found.append((web, mail))
    return found


@dataclass(slots=True, kw_only=True)
class _Days:
    """Alarms that come and go, each of a truck of its own, while far sides have their moods."""

    play: Stage
    rng: Random
    step_s: int
    number: int = 0
    standing: dict[str, tuple[int, int]] = field(default_factory=dict)

    def go_on(self, moods: _Moods, *, trucks: int) -> None:
        """Let time pass, a step for each pair of moods."""
        play = self.play
        comes = sorted(self.rng.choices(range(len(moods)), k=trucks))
        for nth, (web, mail) in enumerate(moods):
            play.web.be(web)
            play.mail.be(mail)
            play.now_ms += self.step_s * SECOND
            for _ in range(comes.count(nth)):
                self._comes()
            self._goes()
            play.look()
            if self.rng.random() < RESTARTS_A_STEP:
                play.restart()

    def _comes(self) -> None:
        self.number += 1
        name = f"NF-{self.number:03}"
        lasts_s = self.rng.uniform(120, 4 * 3600)
        self.standing[name] = (self.play.now_ms, self.play.now_ms + round(lasts_s * SECOND))
        priority = self.rng.choice(list(Priority))
        self.play.change(name, self.play.now_ms, priority=priority)

    def _goes(self) -> None:
        for name, (onset_ms, end_ms) in list(self.standing.items()):
            if end_ms <= self.play.now_ms:
                del self.standing[name]
                self.play.change(name, onset_ms, active=False)


def notice_storm(folder: Path, seed: int, *, trucks: int, over_s: int) -> Figure:
    """All trucks alarm within some seconds; the process is started anew twice in the midst of it."""
    rng = Random(f"{seed}/notice_storm")
    names = [f"NF-{number:03}" for number in range(trucks)]
    rng.shuffle(names)
    with stage(folder) as play:
        for second in range(61):
            for name in names[second::over_s] if second < over_s else ():
                critical = rng.random() < CRITICAL_SHARE
                priority = Priority.CRITICAL if critical else Priority.HIGH
                play.change(name, play.now_ms, priority=priority)
            play.look()
            if second in (3, 25):
                play.restart()
            play.now_ms += SECOND
        most = max(len(play.to(person)) for person in PEOPLE)
        soon = min(_listed(play, person, names) for person in PEOPLE)
        play.settle(step_ms=SECOND)
        in_all = max(len(play.to(person)) for person in PEOPLE)
        listed = min(_listed(play, person, names) for person in PEOPLE)
        verdict = play.verdict()
        restarts = play.restarts
    fine = most <= MOST_IN_A_MINUTE and listed == trucks and verdict.repeats == 0
    return figure_of(
        "notice_storm" if over_s < SLOWLY_S else "notice_storm_slow",
        verdict,
        seed=seed,
        faults=f"{trucks} trucks within {over_s} s, {restarts} restarts in the midst",
        also=f"{most} notices to one person in the first minute (at most {MOST_IN_A_MINUTE}: "
        f"{yes(most <= MOST_IN_A_MINUTE)}) with {soon} trucks, {in_all} with all {listed}",
        fine=fine,
    )


def _listed(play: Stage, person: str, names: list[str]) -> int:
    said = " ".join(each.text for each in play.intake.arrived if each.destination == person)
    return sum(name in said for name in names)


def notice_flapping(folder: Path, seed: int, *, minutes: int) -> Figure:
    """A sensor at its limit: an alarm that comes and goes each second; then the hour after it."""
    with stage(folder) as play:
        onset_ms = play.now_ms
        for second in range(60 * minutes):
            play.now_ms = NOON + second * SECOND
            comes = second % 2 == 0
            onset_ms = play.now_ms if comes else onset_ms
            play.change("NF-001", onset_ms, active=comes)
            play.look()
        most = max(len(play.to(person)) for person in PEOPLE)
        of_web = len(play.to(WEB))
        for _ in range(120):
            play.now_ms += 30 * SECOND
            play.look()
        after = max(len(play.to(person)) for person in PEOPLE) - most
        play.settle()
        verdict = play.verdict()
    return figure_of(
        "notice_flapping",
        verdict,
        seed=seed,
        faults=f"{30 * minutes} alarms of one sensor in {minutes} min",
        also=f"{most} notices to one person meanwhile (at most {MOST_OF_A_FLAPPER}: "
        f"{yes(most <= MOST_OF_A_FLAPPER)}) and {after} in the hour after, {of_web} to the web address",
        fine=most <= MOST_OF_A_FLAPPER and after <= 1,
    )
