"""Wakes of a board, one after another: drive.py STEPS.json; prints what each came to, as JSON."""

import gc
import json
import sys

sys.path[0:0] = [sys.argv[2], sys.argv[3]]  # the firmware, this folder

import fake_board  # noqa: E402

sys.modules["board"] = fake_board  # main names the hardware; nothing of it is used here

import main  # noqa: E402
import ring  # noqa: E402
import setup  # noqa: E402
import uplink  # noqa: E402


def run(path):
    with open(path) as file:
        given = json.load(file)
    ring.RECORDS_A_FILE, ring.MOST_FILES = given["ring"]
    setup.OPEN_S = given["setup_s"]
    uplink.RECEIPT_MS = given["receipt_ms"]
    for step in given["steps"]:
        gc.collect()  # a board comes out of sleep with nothing in memory
        board = fake_board.Board(step, given["sleeping"])
        main.main(board, given["flash"])
        print(
            json.dumps(
                {
                    "slept": board.slept,
                    "said": board.said,
                    "blinks": board.blinks,
                    "guarded": board.guarded,
                    "restarted": board.restarted,
                }
            )
        )


run(sys.argv[1])
