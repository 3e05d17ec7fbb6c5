"""A process that is killed by SIGKILL at its n-th operation on some files.

An audit hook of the interpreter (PEP 578) counts what touches them.
"""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

OPERATIONS = {"open", "os.rename", "os.mkdir", "os.remove", "os.rmdir", "os.truncate", "os.link", "os.symlink"}


def killed_in(run: Callable[[], None], watched: Path, at: int, arguments: object = "") -> bool:
    process = os.fork()
    if not process:
        try:
            count = 0

            def hook(event: str, details: tuple[Any, ...]) -> None:
                nonlocal count
                if event in OPERATIONS and any(str(watched) in str(one) for one in details):
                    count += 1
                    if count == at:
                        os.kill(os.getpid(), signal.SIGKILL)

            null = os.open(os.devnull, os.O_WRONLY)
            os.dup2(null, 1)
            os.dup2(null, 2)
            sys.addaudithook(hook)
            run()
        except SystemExit as end:
            os._exit(int(end.code or 0))
        except BaseException:
            os._exit(70)
        os._exit(0)
    _, status = os.waitpid(process, 0)
    if os.WIFSIGNALED(status):
        assert os.WTERMSIG(status) == signal.SIGKILL
        return True
    assert os.WEXITSTATUS(status) == 0, f"{arguments}: exit {os.WEXITSTATUS(status)}"
    return False
