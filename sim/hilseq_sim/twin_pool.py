"""`python -m hilseq_sim.twin_pool`: twins by the hundred, each forked from a process that has imported everything.

Importing is most of what the start of a twin takes. Standard input is a socket that keeps messages apart; each
message asks for one twin: as JSON its arguments and, where it is kept to some processors, their numbers, with
four descriptors: its standard input, output and errors, and where its process number is written when it begins
and its exit code when it ends. Ends when nobody can send any more.
"""

from __future__ import annotations

import gc
import json
import os
import signal
import socket
import sys
from collections.abc import Mapping, Sequence
from typing import Any

import hilseq_sim.world.build  # noqa: F401 - what the first twin would import late
from hilseq_sim.__main__ import main

_STREAMS = 3
_LONGEST_MESSAGE = 1 << 16
_FAILED = 70


def serve(requests: socket.socket) -> None:
    """Fork one twin for each message until the far end is closed."""
    signal.signal(signal.SIGCHLD, signal.SIG_IGN)  # nobody asks this process how they ended
    gc.collect()
    gc.freeze()
    while True:
        message, files, _, _ = socket.recv_fds(requests, _LONGEST_MESSAGE, _STREAMS + 1)
        if not message:
            return
        if os.fork() == 0:
            _be_a_twin(json.loads(message), files, requests)
        for file in files:
            os.close(file)


def _be_a_twin(asked: Mapping[str, Any], files: Sequence[int], requests: socket.socket) -> None:
    """Serve as the process these descriptors belong to, and end with it."""
    code = _FAILED
    *streams, told = files
    try:
        requests.close()
        signal.signal(signal.SIGCHLD, signal.SIG_DFL)
        os.setsid()
        for number, file in enumerate(streams):
            os.dup2(file, number)
            os.close(file)
        os.write(told, f"{os.getpid()} ".encode())
        if asked["processors"]:
            os.sched_setaffinity(0, asked["processors"])
        code = main(asked["arguments"])
        sys.stdout.flush()
        sys.stderr.flush()
    finally:
        os.write(told, f"{code}".encode())
        os._exit(code)


if __name__ == "__main__":
    with socket.socket(fileno=os.dup(sys.stdin.fileno())) as asked:
        serve(asked)
