"""The system's clock, asked below a kernel that does not let us ask."""

import platform
import subprocess
import sys

import pytest

from tests.rigs.places import ROOT

CALLS = {"x86_64": (159, 305), "aarch64": (171, 266)}
"""adjtimex and clock_adjtime, in the kernel's tables of system calls (unistd_64.h, unistd.h)."""

REFUSED = """
import ctypes, errno, struct, sys
calls = [int(number) for number in sys.argv[1:]]
RET, LD, JEQ = 0x06, 0x20, 0x15  # linux/bpf_common.h
REFUSE, ALLOW = 0x00050000 | errno.EPERM, 0x7FFF0000  # linux/seccomp.h
code = [(LD, 0, 0, 0)]
code += [(JEQ, len(calls) - at, 0, number) for at, number in enumerate(calls)]
code += [(RET, 0, 0, ALLOW), (RET, 0, 0, REFUSE)]
packed = ctypes.create_string_buffer(b"".join(struct.pack("HBBI", *step) for step in code))
class Program(ctypes.Structure):
    _fields_ = [("length", ctypes.c_ushort), ("filter", ctypes.c_void_p)]
libc = ctypes.CDLL(None, use_errno=True)
assert libc.prctl(38, 1, 0, 0, 0) == 0  # PR_SET_NO_NEW_PRIVS
program = Program(len(code), ctypes.addressof(packed))
assert libc.prctl(22, 2, ctypes.byref(program)) == 0, ctypes.get_errno()  # PR_SET_SECCOMP, filter
assert libc.adjtimex(ctypes.create_string_buffer(512)) == -1 and ctypes.get_errno() == errno.EPERM
from daemon.watch.wall_clock import kernel_says_synchronised
print(kernel_says_synchronised())
"""


@pytest.mark.skipif(platform.machine() not in CALLS, reason="numbers of system calls not known here")
def test_a_kernel_that_does_not_let_us_ask_has_not_said_that_the_clock_is_synchronised():
    command = [sys.executable, "-c", REFUSED, *map(str, CALLS[platform.machine()])]
    run = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert (run.returncode, run.stdout) == (0, "None\n"), run.stderr
