"""The `pullbook` command: parse, ask, print."""

import sys
import time

try:
    time.time()
except OverflowError:  # Python's own limit, met by the standard library's modules as they are imported
    print("pullbook: this computer's clock shows a year after 2262. Set it.", file=sys.stderr)
    sys.exit(2)
