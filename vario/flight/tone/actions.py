"""What the pilot did with knobs, buttons and commands since the last frame, for cues and voice."""

from __future__ import annotations

from drivers.events import REFUSED, SAY, STEP, TAKEN, PilotAction


class PilotActions:
    """Collects actions for the next frame.

    Attributes:
        steps: number of steps of knobs so far.
        refused: something was refused since the last frame.
        taken: a change of settings or a mark was taken since the last frame.
        wanted: what to say, as the pilot asked since the last frame; None: nothing.
    """

    def __init__(self) -> None:
        self.steps = 0
        self.refused = self.taken = False
        self.wanted: str | None = None

    def take(self, action: PilotAction) -> None:
        """Add an action. One of an unknown kind, from a later version, is ignored."""
        if action.kind == STEP:
            self.steps += 1
        elif action.kind == REFUSED:
            self.refused = True
        elif action.kind == TAKEN:
            self.taken = True
        elif action.kind == SAY:
            self.wanted = action.text

    def clear(self) -> None:
        """Forget the actions that the frame has used."""
        self.refused = self.taken = False
        self.wanted = None
