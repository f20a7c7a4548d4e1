"""Writers in processes of their own, for tests that kill them: a line on stdin starts one.

A line is a JSON list: {"folder", "generation"} writes a made set of files, {"check"} checks a
folder as a command does at its start, {"new"} writes a single file, {"arguments"} runs the command
line. With "dies_at" the process kills
itself at that change to the file system, without a chance to clean up. Answers are the number of
the process and, after one more line, its exit code or minus the signal that ended it.
"""

import json
import os
import signal
import sys
from pathlib import Path

from stripwise.errors import OutputError
from stripwise.report.file_swap import check_writable, commit
from stripwise.report.synced_write import write_new

CHANGES = {"open", "os.rename", "os.remove", "os.link", "os.mkdir", "os.rmdir"}
REFUSED = 3
SINGLE = b"whole" * 1000


def contents(generation):
    """Make files whose names differ between odd and even generations, as options change them."""
    names = ("a.csv", "figures/c.svg", *(("d/odd.svg",) * (generation % 2)))
    return {name: f"{name} of {generation}\n".encode() * 100 for name in names}


def die_at(step):
    left = [step]

    def hook(event, _arguments):
        if event in CHANGES:
            left[0] -= 1
            if left[0] == 0:
                os.kill(os.getpid(), signal.SIGKILL)

    sys.addaudithook(hook)


def work(order):
    if "dies_at" in order:
        die_at(order["dies_at"])
    try:
        if "arguments" in order:
            from stripwise import cli

            cli.main()
        elif "check" in order:
            check_writable(Path(order["check"]), ("a.csv", "run.json"))
        elif "new" in order:
            write_new(Path(order["new"]), SINGLE)
        else:
            n = order["generation"]
            commit(Path(order["folder"]), contents(n), record={"generation": n})
    except OutputError as error:
        sys.stderr.write(f"{error}\n")
        return REFUSED
    return 0


def main():
    """Start a process for each order of a line, all of them at once."""
    os.fsync = lambda _: None  # a killed process loses nothing that the system has taken
    while line := sys.stdin.readline():
        children, orders = [], json.loads(line)
        if any("arguments" in order for order in orders):
            pass  # once, for all forks; where no command runs, they stay small
        for order in orders:
            child = os.fork()
            if child == 0:
                sys.argv = ["stripwise", *order.get("arguments", ())]
                code = 1
                try:
                    code = work(order)
                except SystemExit as end:
                    code = end.code or 0
                finally:
                    sys.stdout.flush()
                    sys.stderr.flush()
                    os._exit(code)
            children.append(child)
        print(json.dumps(children), flush=True)  # noqa: T201 - the answer
        sys.stdin.readline()  # until then the number of a process that has ended stays its own
        ends = [os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) for child in children]
        print(json.dumps(ends), flush=True)  # noqa: T201 - the answer


if __name__ == "__main__":
    main()
