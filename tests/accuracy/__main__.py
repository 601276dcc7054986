"""Write docs/accuracy.md: ``cd tests && python -m accuracy``. Exit 1 if a row fails."""

import sys

from accuracy.check import share_left
from accuracy.page import PAGE, page, reading
from accuracy.rows import ROWS

PAGE.write_text(page(), encoding="utf-8")
shares = [share_left(check, reading(index)) for index, check in enumerate(ROWS)]
failed = [check.name for check, share in zip(ROWS, shares, strict=True) if share is not None and share < 0]
print(f"{PAGE}: {len(ROWS)} rows, {len(failed)} failed", *failed, sep="\n  ")
sys.exit(bool(failed))
