"""A flash chip of a board: littlefs on it, power that fails at any of its operations, and wear."""

import vfs

BLOCK = 4096  # erased at once, as ESP32 boards have it
STEP = 32  # read and programmed at once, as MicroPython sets littlefs up


class PowerCutError(OSError):
    """The power went while the chip was at work."""


class Flash:
    """Blocks in memory.

    `cut_after` operations the power fails: in the middle of one that programs, half of it is done.
    """

    def __init__(self, blocks, content=None):
        self.blocks = blocks
        self.data = content if content is not None else bytearray(b"\xff" * (BLOCK * blocks))
        self.erased = [0] * blocks
        self.operations = 0
        self.cut_after = None
        self.is_gone = (
            False  # files that a cut left open are closed by the collector: not on a board
        )

    def take_over(self):
        """The same chip after the power came back."""
        self.is_gone = True
        return Flash(self.blocks, bytearray(self.data))

    def readblocks(self, number, buffer, offset=0):
        if self.is_gone:
            return
        if self.is_dead():
            raise PowerCutError(5)
        at = number * BLOCK + offset
        buffer[:] = memoryview(self.data)[at : at + len(buffer)]

    def writeblocks(self, number, buffer, offset=0):
        if self.is_gone:
            return
        count = len(buffer) if self._works() else len(buffer) // 2
        at = number * BLOCK + offset
        memoryview(self.data)[at : at + count] = memoryview(buffer)[:count]
        if self.is_dead():
            raise PowerCutError(5)

    def ioctl(self, asked, argument):
        if asked == 4:
            return self.blocks
        if asked == 5:
            return BLOCK
        if asked == 6 and not self.is_gone:
            if self._works():
                self.erased[argument] += 1
                at = argument * BLOCK
                memoryview(self.data)[at : at + BLOCK] = b"\xff" * BLOCK
            elif self.is_dead():
                raise PowerCutError(5)
            return 0
        return 0

    def is_dead(self):
        return self.cut_after is not None and self.operations >= self.cut_after

    def _works(self):
        """Count one operation; whether it is done whole."""
        if self.is_dead():
            raise PowerCutError(5)
        self.operations += 1
        return not self.is_dead()


def mount(flash, is_new=False):
    """Put the flash at /flash."""
    if is_new:
        vfs.VfsLfs2.mkfs(flash, readsize=STEP, progsize=STEP, lookahead=STEP)
    disk = vfs.VfsLfs2(flash, readsize=STEP, progsize=STEP, lookahead=STEP)
    vfs.mount(disk, "/flash")


def unmount():
    vfs.umount("/flash")
