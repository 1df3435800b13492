"""What the board runs after power-up and after each sleep."""

import board as hardware
import settings
import setup
import wake

FOLDER = ""  # the root of the flash


def main(board, folder):
    """One wake, or the set-up of a new board, of one whose button is held down at power-up."""
    known = settings.load(folder)
    if known is None or (not board.woke_from_sleep() and board.is_button_down()):
        if setup.run(board, folder):
            board.restart()
            return
        if known is None:  # nobody came: a battery must not feed an access point for days
            board.sleep(86400)
            return
    board.guard(known["awake_s"])
    try:
        pause_s = wake.run(board, known, folder)
    except Exception as error:  # awake at a prompt, it would empty the battery in a day
        board.say("this wake failed: %r" % error)
        pause_s = known["every_s"]
    board.sleep(pause_s)


if __name__ == "__main__":
    main(hardware.Board(), FOLDER)
