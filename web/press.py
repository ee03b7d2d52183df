"""A record as PDF: python -m web.press, JSON in, PDF out.

A process of its own for each paper, so that what drawing takes of memory is given back. In comes
either a web.record.Record as "record" with its "signatures", or a web.sheet.Sheet as "sheet".
Nothing is fetched: see web.faces for the typefaces.
"""

import json
import sys

from web import record_paper, sheet_paper

if __name__ == "__main__":
    given = json.load(sys.stdin)
    if "sheet" in given:
        made = sheet_paper.pdf(given["sheet"])
    else:
        made = record_paper.pdf(given["record"], given["signatures"])
    sys.stdout.buffer.write(made)
