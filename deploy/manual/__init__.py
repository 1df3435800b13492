"""The manual: pages in Markdown, and what is made from the program itself when it is built.

::

    pages/*.md    what people read; `<!-- made: NAME WORDS -->` is replaced by `made.MADE[NAME](WORDS)`
    blocks        fences of our own: commands that a test runs, files, examples that are decoded
    drawings      where probes go, from `monitor.outline` and `monitor.evidence.entries`
    made          settings, commands, alarms, limits, kits: from the program
    look/         layout and style sheet; nothing is fetched from anywhere
"""
