"""Words for the person in the seat: calm, short, without jargon."""

from __future__ import annotations

from typing import Final

from steelyard.guidance.views import Tone, Words
from steelyard.strength.form_faults import Fault

WAIT: Final = Words("wait", "One moment")
LET_GO: Final = Words("let-go", "Let go", Tone.STOP, "Relax. Tell us how you feel.")
NOT_LIVE: Final = Words("not-live", "Please wait", Tone.CALM, "We lost the signal. Relax.")
DONE: Final = Words("done", "Done, thank you")
STOPPED: Final = Words("stopped", "Stopped", Tone.STOP, "Relax. Nothing more to do now.")

MOVE_GENTLY: Final = Words("move-gently", "Move gently", Tone.GO, "All the way forward, and back")
HOLDS: Final = Words("holds", "Good", Tone.CALM, "You sit firmly")
HIPS_MOVE: Final = Words("slipping", "Hips moving", Tone.CHANGE, "Wait, we tighten the seat")

BE_LED: Final = Words("be-led", "Be heavy", Tone.CALM, "Let us move you. Do nothing.")
TOO_FAST_LED: Final = Words("be-led", "Be heavy", Tone.CALM, "We go a little slower")
SIT_STILL: Final = Words("sit-still", "Sit still", Tone.CALM, "We set the machine")

RELAX: Final = Words("relax", "Relax", Tone.CALM, "Let go completely")
SOON: Final = Words("soon", "Get ready", Tone.CALM, "Push when we say so")
PUSH: Final = Words("push", "Push back", Tone.GO, "Smoothly, more and more")
HOLD: Final = Words("hold", "Hold", Tone.GO, "Keep pushing. Keep breathing.")
RELEASE: Final = Words("release", "And relax", Tone.CALM, "Well done")
REST: Final = Words("rest", "Rest", Tone.CALM, "Breathe")
TO_STATION: Final = Words("wait", "One moment", Tone.CALM, "We set the next position")

BEGIN: Final = Words("begin", "Begin when ready", Tone.GO, "Slowly back, slowly forward")
UP: Final = Words("up", "Slowly back", Tone.GO)
TURN_UP: Final = Words("turn", "And stay", Tone.GO)
DOWN: Final = Words("down", "Slowly forward", Tone.GO)
TURN_DOWN: Final = Words("again", "And again", Tone.GO)
ENOUGH: Final = Words("enough", "Stop here", Tone.STOP, "Well done. Come forward and relax.")

TOO_FAST: Final = Words("too-fast", "Too fast", Tone.CHANGE, "Slower")
SHORT: Final = Words("short", "A little further", Tone.CHANGE)
SLIPPING: Final = Words("slipping", "Hips moving", Tone.CHANGE, "Stay back in the seat")
TOUCHED: Final = Words("touched", "Weights touched", Tone.CHANGE, "Turn a little earlier")
DROPPED: Final = Words("dropped", "Set down softly", Tone.CHANGE)
THROWN: Final = Words("thrown", "Start gently", Tone.CHANGE)
UNEVEN: Final = Words("uneven", "Smoother", Tone.CHANGE, "One even movement")

FOR_FAULT: Final = {
    Fault.RUSHED: TOO_FAST,
    Fault.SHORT: SHORT,
    Fault.SLIPPED: SLIPPING,
    Fault.STACK_TOUCHED: TOUCHED,
    Fault.STACK_BOUNCED: DROPPED,
    Fault.THROWN: THROWN,
    Fault.UNEVEN: UNEVEN,
}
"""What each fault of form is called to the client's face."""
