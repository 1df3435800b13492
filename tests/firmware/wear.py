"""How often each block of the flash is erased by a year of samples; wear.py FIRMWARE THIS_FOLDER."""

import json
import sys

sys.path[0:0] = [sys.argv[1], sys.argv[2]]

import flash  # noqa: E402
import memory  # noqa: E402
import ring  # noqa: E402

BLOCKS = 256  # 1 MB of 4 KB blocks: half of what a board with 4 MB of flash has for files
DAYS = 30

chip = flash.Flash(BLOCKS)
flash.mount(chip, is_new=True)
memory._next_boot("/flash")
one = ring.Ring("/flash/ring")
before = list(chip.erased)
for seq in range(96 * DAYS):
    one.append(65537, seq, 900 * seq, (1142, 7860, ring.NOTHING, ring.NOTHING))
    if seq % 24 == 23:
        one.forget([(65537, seq - 23, seq)])
erased = [now - then for now, then in zip(chip.erased, before)]
print(json.dumps({"days": DAYS, "most": max(erased), "all": sum(erased)}))
