"""The life of one alarm against the standards' diagram.

The diagram of ANSI/ISA-18.2-2016 and IEC 62682, from memory, written down as what is true of an alarm (does
the condition hold, has somebody acknowledged, is it latched, which hold is on it) and not as a table, so
that it shares nothing with ``alerts.alarm``.
"""

from __future__ import annotations

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
)

from alerts.alarm import HOLDS, Event, Matter, State, step


class Diagram(RuleBasedStateMachine):
    """One alarm, as an operator would describe it."""

    @initialize(latches=st.booleans())
    def begin(self, latches: bool) -> None:
        self.latches = latches
        self.state = State.NORMAL
        self.condition = False
        self.pending = False  # an acknowledgement is outstanding
        self.latched = False
        self.hold: State | None = None

    def take(self, event: Event) -> Matter | None:
        after = step(self.state, event, active=self.condition, latches=self.latches)
        self.state = after.state
        return after.matter

    @precondition(lambda self: not self.condition)
    @rule(event=st.sampled_from([Event.RAISE, Event.RECUR]))
    def occurs(self, event: Event) -> None:
        told = self.take(event)
        self.condition = True
        if self.hold is None:
            self.pending, self.latched = True, False
        assert told == (None if self.hold else Matter.ACTIVE)

    @precondition(lambda self: self.condition)
    @rule()
    def rises(self) -> None:
        told = self.take(Event.RISE)
        if self.hold is None:
            self.pending = True
        assert told == (None if self.hold else Matter.RISE)

    @precondition(lambda self: self.condition)
    @rule()
    def returns(self) -> None:
        told = self.take(Event.CLEAR)
        self.condition = False
        if self.hold is None:
            self.latched = self.latches
        assert told == (None if self.hold else Matter.NORMAL)

    @rule()
    def is_acknowledged(self) -> None:
        assert self.take(Event.ACKNOWLEDGE) is None
        if self.hold is None:
            self.pending = False

    @rule()
    def is_reset(self) -> None:
        assert self.take(Event.RESET) is None
        if self.hold is None and not self.pending:
            self.latched = False

    @rule(event=st.sampled_from(sorted(HOLDS)))
    def is_held(self, event: Event) -> None:
        assert self.take(event) is None
        self.hold = {"shelve": State.SHELVED, "suppress": State.SUPPRESSED}.get(
            event.value, State.OUT_OF_SERVICE
        )
        self.pending = self.latched = False

    @rule()
    def is_let_go(self) -> None:
        was_held = self.hold is not None
        told = self.take(Event.RELEASE)
        if not was_held:
            assert told is None
            return
        self.hold = None
        self.pending = self.condition or self.latches
        self.latched = self.latches and not self.condition
        assert told == (Matter.ACTIVE if self.condition else Matter.NORMAL)

    @invariant()
    def the_letter_of_the_diagram(self) -> None:
        if self.hold is not None:
            assert self.state is self.hold
            return
        drawn = {
            (True, True, False): State.UNACKNOWLEDGED,
            (True, False, False): State.ACKNOWLEDGED,
            (False, True, False): State.RETURNED,
            (False, False, False): State.NORMAL,
            (False, True, True): State.LATCHED,
            (False, False, True): State.LATCHED_ACKNOWLEDGED,
        }
        assert self.state is drawn[self.condition, self.pending, self.latched]


TestDiagram = Diagram.TestCase
TestDiagram.settings = settings(max_examples=200, stateful_step_count=40, deadline=None)
