"""What the board runs after power-up and after each sleep."""

import board as hardware
import settings
import setup
import wake

FOLDER = ""  # the root of the flash
NOT_SET_UP_S = 86400


def main(board, folder):
    """One wake; or the set-up of a new board, or of one whose button is pressed after power-up."""
    try:
        pause_s = _run(board, folder)
    except Exception as error:  # awake at a prompt, it would empty the battery in a day
        board.say("this wake failed: %r" % error)
        pause_s = settings.DEFAULTS["every_s"]
    if pause_s:
        board.sleep(pause_s)
    else:
        board.restart()


def _run(board, folder):
    """Seconds to sleep; 0: start again."""
    known = settings.load(folder)
    if known is None or _is_asked(board):
        if setup.run(board, folder):
            return 0
        if known is None:  # nobody came: a battery must not feed an access point for days
            return NOT_SET_UP_S
    board.guard(known["awake_s"])
    return wake.run(board, known, folder)


def _is_asked(board):
    if board.woke_from_sleep() or board.was_watchdog():
        return False
    return board.is_asked_for_setup()


if __name__ == "__main__":
    main(hardware.Board(), FOLDER)
