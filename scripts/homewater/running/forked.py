"""Work done in a forked process, so that a crash of compiled code does not end the step.

Damaged genotype files can crash the libraries that read them. The forked process then dies alone, and the step tells
the user which file is damaged.
"""

from __future__ import annotations

import os
import pickle
import signal
import sys
import traceback
from collections.abc import Callable
from typing import Any

from homewater.running.errors import InputError, Problem

# signals by which compiled code dies of what it reads; SIGKILL, which ends what takes too much memory, is none of them
CRASHES = (signal.SIGSEGV, signal.SIGBUS, signal.SIGABRT, signal.SIGFPE, signal.SIGILL)


def in_child(work: Callable[[], Any], files: str) -> Any:
    """Return what a function returns, called in a forked process.

    Args:
        work: the function; what it returns is pickled.
        files: the user's files that it reads, for the message.

    Raises:
        InputError: as raised by the function, or where the process died of one of CRASHES.
        RuntimeError: on any other error of the function, whose traceback is printed, or another end of the process.
    """
    reader, writer = os.pipe()
    sys.stdout.flush()
    sys.stderr.flush()
    child = os.fork()
    if not child:
        _answer(work, reader, writer)
    os.close(writer)
    with os.fdopen(reader, "rb") as handle:
        content = handle.read()
    _, status = os.waitpid(child, 0)
    if os.WIFSIGNALED(status):
        number = os.WTERMSIG(status)
        name = signal.Signals(number).name
        if number in CRASHES:
            found = f"content on which the reading of genotypes breaks down ({name}): the file is damaged"
            raise InputError(Problem(files, "", "", found, "a VCF or BCF file that other programs read to its end"))
        memory = ", as where memory runs out" if number == signal.SIGKILL else ""
        raise RuntimeError(f"reading {files} was ended by {name}{memory}")
    result, error = pickle.loads(content)
    if error is not None:
        raise error
    return result


def _answer(work: Callable[[], Any], reader: int, writer: int) -> None:
    """Work, send (result, error) to the parent, and end this process."""
    os.close(reader)
    try:
        try:
            content = pickle.dumps((work(), None))
        except (InputError, OSError) as error:
            content = pickle.dumps((None, error))
        except BaseException as error:
            traceback.print_exc()
            content = pickle.dumps((None, RuntimeError(f"{type(error).__name__}: {error}")))
        sys.stdout.flush()
        sys.stderr.flush()
        with os.fdopen(writer, "wb") as handle:
            handle.write(content)
    finally:
        os._exit(0)  # nothing of the parent's is to be tidied up twice
