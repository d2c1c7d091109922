"""Start the box at power-on, and never stand in the way of whoever must mend it.

Ways back to the interactive prompt: Ctrl-C in the first two seconds after a
reset; the service-mode pin to ground, at any time; 64 Ctrl-C in a row while the
box is on duty (`drivers.usb_link`).  An error leaves its text in crash.txt.

After an error the box starts again, so that measuring goes on; unless it came
soon after the start, as it would come again.  Then the prompt is left open.
"""

import sys
import time

import machine
import micropython

SERVICE_PIN = 14  # as in board.py, which may be what is broken
CRASH_FILE = "crash.txt"

_GRACE_MS = 2000
_GRACE_LOOK_MS = 50
_SOON_MS = 10000
_CTRL_C = 3


def wait_grace():
    """Leave time for Ctrl-C; False when the service-mode pin asks for the prompt."""
    pin = machine.Pin
    service = pin(SERVICE_PIN, pin.IN, pin.PULL_UP)
    for _ in range(_GRACE_MS // _GRACE_LOOK_MS):
        if service.value() == 0:
            return False
        time.sleep_ms(_GRACE_LOOK_MS)
    return True


def keep(error):
    """Write the error's text over that of the last one."""
    try:
        with open(CRASH_FILE, "w") as file:
            sys.print_exception(error, file)
    except OSError:
        return  # no room or no file system: the prompt still shows it below


def run():
    if not wait_grace():
        return
    started_ms = time.ticks_ms()
    # The box takes two more seconds to compile itself.  A program that already asks for it must
    # not stop it: the byte of Ctrl-C is part of many a request.
    micropython.kbd_intr(-1)
    try:
        import duty  # only now: what is broken in it must not keep the grace period away

        duty.run()
    except Exception as error:  # whatever it is, it is the last chance to keep it
        keep(error)
        # Without its sign: after six days the difference turns negative.
        if abs(time.ticks_diff(time.ticks_ms(), started_ms)) >= _SOON_MS:
            machine.reset()
        sys.stdout.write("The box stopped; the reason is in %s\n" % CRASH_FILE)
        raise
    finally:
        micropython.kbd_intr(_CTRL_C)


if __name__ == "__main__":
    run()
