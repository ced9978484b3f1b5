"""Work shared out over the processor's cores: this process and others like it, each with a task at a time.

Reading a page is Python's own work for the greater part, which threads do one after another: twelve pages in two
threads take as long as in one (measured, ``tests/benchmarks/pages.py``). So the other workers are processes. They are
started plainly, and talked to over their stdin and stdout, because ``multiprocessing`` would run the user's own main
program again in each of them, and leave them to read Ctrl-C's signal for themselves.

This process is one of the workers. A single task therefore costs nothing more than it did, and the others
have the time to start while it is at its first.
"""

from __future__ import annotations

import os
import pickle
import signal
import subprocess
import sys
import threading
import traceback
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from queue import SimpleQueue
from types import TracebackType
from typing import IO, Any, Generic, TypeVar

Task = TypeVar("Task")
Result = TypeVar("Result")

# The worker finds the package where this process found it, wherever it was started.
_START = "import pickle, sys; sys.path[:] = pickle.load(sys.stdin.buffer); from calib.scan.workers import serve; serve()"


@dataclass(frozen=True)
class Ended:
    """Stands for the result of a task whose worker ended in the middle of it, twice. code: what it ended with."""

    code: int

    def __str__(self) -> str:
        if self.code < 0:
            return f"was ended by signal {-self.code}"
        return f"ended with code {self.code}"


def cores() -> int:
    """Return how many cores this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


class _Process:
    """Another process that does one task at a time."""

    def __init__(self, work: bytes) -> None:
        """Start it. work: the function, pickled. Raises OSError where it cannot be started."""
        command = [sys.executable, "-P", "-c", _START]
        # Ctrl-C goes to every process of the terminal. A worker has it blocked from its first moment, and ends when we do.
        blocked = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT}) if _MASKS else None
        try:
            # Whatever a decoder says on stderr is no sentence for the user; what matters of it is raised.
            self.process = subprocess.Popen(
                command,
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                creationflags=getattr(subprocess, "CREATE_NEW_PROCESS_GROUP", 0),
            )
        finally:
            if blocked is not None:
                signal.pthread_sigmask(signal.SIG_SETMASK, blocked)
        assert self.process.stdin is not None and self.process.stdout is not None
        self._to, self._from = self.process.stdin, self.process.stdout
        self._work = work

    def begin(self) -> None:
        """Tell the process its work, so that it can import what that needs."""
        self._send(pickle.dumps(sys.path) + pickle.dumps(self._work))

    def _send(self, what: bytes) -> None:
        try:
            self._to.write(what)
            self._to.flush()
        except OSError as error:
            raise EOFError from error

    def do(self, task: Any) -> Any:
        """Return the result of a task; raise what it raised, or EOFError where the process ended."""
        self._send(pickle.dumps(pickle.dumps(task)))
        try:
            done, found = pickle.loads(pickle.load(self._from))
        except (OSError, EOFError, pickle.UnpicklingError) as error:
            raise EOFError from error
        if done:
            return found
        raise found

    def end(self) -> int:
        """End the process, whatever it is at, and return its exit code; a worker writes nothing that could be half done."""
        self.process.kill()
        code = self.process.wait()
        for stream in (self._to, self._from):
            # What could not be sent any more is of no interest.
            with suppress(OSError):
                stream.close()
        return code


_MASKS = hasattr(signal, "pthread_sigmask")


class Workers(Generic[Task, Result]):
    """Processes that do the same work on many tasks, this one among them; leaving the context ends the others.

    work: from a task to its result. With more than one process it, the tasks and the results must be picklable.
    processes: how many at most, this one counted.
    """

    def __init__(self, work: Callable[[Task], Result], processes: int) -> None:
        self._work = work
        self._wanted = processes - 1 if sys.executable else 0
        self._pickled = b""
        self._others: list[_Process] = []
        self._tasks: Sequence[Task] | None = None
        self._begun = 0
        self._starting: Callable[[int], None] | None = None
        self._results: dict[int, Result | Ended] = {}
        self._at_work = 0
        self._failure: BaseException | None = None
        self._news = threading.Condition()

    def __enter__(self) -> Workers[Task, Result]:
        """Start the other processes; they import what they need while this one goes on."""
        if self._wanted > 0:
            self._pickled = pickle.dumps(self._work)
        for _ in range(self._wanted):
            # A system that lets us start no more processes still lets us do the work ourselves.
            try:
                self._others.append(_Process(self._pickled))
            except OSError:
                break
        self._at_work = len(self._others)
        for process in self._others:
            threading.Thread(target=self._feed, args=(process,), daemon=True).start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        with self._news:
            # Nobody is to begin anything any more.
            self._tasks = ()
            self._news.notify_all()
        for process in self._others:
            process.end()

    def results(
        self, tasks: Sequence[Task], starting: Callable[[int], None] | None = None
    ) -> Iterator[Result | Ended]:
        """Yield the result of every task, in the order of the tasks, whoever did it and when.

        starting: called with a task's index before it is begun, in order too. Raises what the work raises. A task whose
        worker ended is done again by a new one after all others; where that ends too, Ended stands for its result.
        """
        with self._news:
            self._tasks, self._starting = tasks, starting
            self._news.notify_all()
        for index in range(len(tasks)):
            while index not in self._results:
                mine = self._claim()
                if mine is not None:
                    self._results[mine[0]] = self._work(mine[1])
                else:
                    self._wait_for(index)
            yield self._results.pop(index)

    def _claim(self) -> tuple[int, Task] | None:
        """Return the next task that nobody has begun, with its index; None where there is none left."""
        with self._news:
            while self._tasks is None:
                self._news.wait()
            if self._failure is not None:
                raise self._failure
            if self._begun >= len(self._tasks):
                return None
            index = self._begun
            self._begun += 1
            if self._starting:
                self._starting(index)
            return index, self._tasks[index]

    def _feed(self, process: _Process) -> None:
        """Give a process one task after another, in a thread of its own."""
        try:
            process.begin()
            while (claimed := self._claim()) is not None:
                found = process.do(claimed[1])
                with self._news:
                    self._results[claimed[0]] = found
                    self._news.notify_all()
        except EOFError:
            # The process is gone. What it was at is found missing when all others are done.
            pass
        except BaseException as error:  # Whatever it is, it is raised again where the results are waited for.
            self._failure = error
        finally:
            with self._news:
                self._at_work -= 1
                self._news.notify_all()

    def _wait_for(self, index: int) -> None:
        """Wait until a result is there; when everybody is done, do again what was lost."""
        with self._news:
            while index not in self._results and self._at_work and self._failure is None:
                # With a time, because a wait without one cannot be interrupted on every system.
                self._news.wait(0.5)
            if self._failure is not None:
                raise self._failure
        if index not in self._results:
            assert self._tasks is not None
            self._results[index] = self._again(self._tasks[index])

    def _again(self, task: Task) -> Result | Ended:
        """Do a task in a new process, now that no other takes memory, and not in ours, which is to live."""
        process = _Process(self._pickled)
        self._others.append(process)
        try:
            process.begin()
            found: Result = process.do(task)
            return found
        except EOFError:
            return Ended(process.end())


def serve() -> None:
    """Be a worker: read the function and then tasks from stdin, write results to stdout, until stdin ends."""
    requests = sys.stdin.buffer
    answers = os.fdopen(os.dup(1), "wb")
    # What a library prints must not get among the answers.
    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
    received: SimpleQueue[bytes] = SimpleQueue()
    threading.Thread(target=_receive, args=(requests, received), daemon=True).start()
    _use_one_core()
    work = pickle.loads(received.get())
    while True:
        task = pickle.loads(received.get())
        try:
            answer = pickle.dumps((True, work(task)))
        except BaseException as error:  # It is raised in the process that asked.
            answer = _pickled_error(error)
        pickle.dump(answer, answers)
        answers.flush()


def _receive(requests: IO[bytes], received: SimpleQueue[bytes]) -> None:
    """Pass on what is sent to us; end at once where the process that sends is gone, whatever ours is at."""
    try:
        while True:
            received.put(pickle.load(requests))
    finally:
        # Only a signal ends a process from within a thread while others compute.
        os.kill(os.getpid(), signal.SIGTERM)


def _pickled_error(error: BaseException) -> bytes:
    # Where it was raised is told with it, for whoever asks for the traceback.
    error.add_note("".join(traceback.format_exception(error)))
    try:
        pickled = pickle.dumps((False, error))
        pickle.loads(pickled)
        return pickled
    except Exception:  # An exception of a library that cannot be taken apart: its words are what matters.
        return pickle.dumps((False, RuntimeError(f"{type(error).__name__}: {error}")))


def _use_one_core() -> None:
    """Keep OpenCV from starting a thread for each core, all of which are at work already."""
    import cv2

    cv2.setNumThreads(1)
