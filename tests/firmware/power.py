"""The ring on littlefs with the power cut at operation after operation; prints what became of it.

power.py FIRMWARE THIS_FOLDER [EVERY]
"""

import gc
import json
import sys

sys.path[0:0] = [sys.argv[1], sys.argv[2]]

import flash  # noqa: E402
import memory  # noqa: E402
import ring  # noqa: E402

BLOCKS = 40
BOOT = 65537


class Told:
    """What the ring said it did."""

    def __init__(self):
        self.stored = []  # seqs whose append returned
        self.begun = -1  # the one that was being written
        self.forgotten = []
        self.forgetting = []


def work(told, count=110):
    """Fill a ring of short files, forget in between, run over its bound."""
    one = ring.Ring("/flash/ring", records_a_file=12, most_files=4)
    start = told.begun + 1
    for seq in range(start, start + count):
        told.begun = seq
        one.append(BOOT, seq, 900 * seq, (1142, 7860, ring.NOTHING, ring.NOTHING))
        told.stored.append(seq)
        if seq % 11 == 10:  # a receipt that misses one of them
            told.forgetting = [key for key in range(seq - 10, seq + 1) if key != seq - 8]
            one.forget([(BOOT, seq - 10, seq - 9), (BOOT, seq - 7, seq)])
            told.forgotten += told.forgetting
            told.forgetting = []
    return one


def check(told, one):
    """Whether what is there is what may be there."""
    live = [sample[1] for sample in one.live()]
    assert live == sorted(set(live)), live
    assert not set(live) - set(told.stored) - {told.begun}, live
    assert not set(live) & set(told.forgotten), (live, told.forgotten)
    due = set(told.stored) - set(told.forgotten) - set(told.forgetting)
    lost = sorted(due - set(live))
    # only what the bound drops may be missing, the oldest, and it is counted before it goes
    assert len(lost) <= one.dropped, (lost, one.dropped)
    assert not lost or not live or max(lost) < min(live), (lost, live)
    return len(lost)


def main(every):
    chip = flash.Flash(BLOCKS)
    flash.mount(chip, is_new=True)
    empty = bytes(chip.data)
    began = chip.operations
    told = Told()
    memory._next_boot("/flash")
    memory._next_boot("/flash")
    one = work(told)
    check(told, one)
    flash.unmount()
    total = chip.operations - began
    cuts = boots = 0
    for cut in range(1, total, every):
        gc.collect()
        chip = flash.Flash(BLOCKS, bytearray(empty))
        flash.mount(chip)
        chip.cut_after = chip.operations + cut
        told = Told()
        begun = []
        try:
            begun.append(memory._next_boot("/flash"))
            begun.append(memory._next_boot("/flash"))
            work(told)
        except OSError:
            cuts += 1
        chip = chip.take_over()
        flash.unmount()
        flash.mount(chip)
        one = ring.Ring("/flash/ring", records_a_file=12, most_files=4)
        check(told, one)
        if told.begun not in told.stored and told.begun in [each[1] for each in one.live()]:
            told.stored.append(told.begun)
        boots += memory._next_boot("/flash") not in begun
        one = work(told, 8)  # and life goes on
        check(told, one)
        flash.unmount()
    print(json.dumps({"operations": total, "cuts": cuts, "boots": boots}))


main(int(sys.argv[3]) if len(sys.argv) > 3 else 1)
