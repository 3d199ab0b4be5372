"""A device for tests: the CUDA kernels compiled as plain C++, its threads run in turn on one processor, arrays NumPy's.

Slow, but the same source text as on a card, so that the kernels are checked where there is none.
"""

from __future__ import annotations

import ctypes
import hashlib
import re
import shutil
import subprocess
import threading
from contextlib import nullcontext
from pathlib import Path

import numpy as np

SHIM = r"""
#include <cmath>
#include <cstdlib>
#include <cstring>
#include <functional>
#include <setjmp.h>
#include <ucontext.h>
#include <vector>
struct Dim { int x, y, z; };
static Dim threadIdx, blockIdx, gridDim, blockDim;
static std::vector<ucontext_t> fibers;
static std::vector<char> ended;
static std::vector<char> begun;
static ucontext_t home;
static jmp_buf at_home, in_fiber[1024];
static std::function<void()> body;
static double shared_by_warp[1024];
// a barrier: every thread of the block goes on to it before any goes past it (jumps, as they need no system call)
static void __syncthreads() { if (!_setjmp(in_fiber[threadIdx.x])) _longjmp(at_home, 1); }
static void fiber() { body(); ended[threadIdx.x] = 1; _longjmp(at_home, 1); }
static void resume(int t)
{
    threadIdx = {t, 0, 0};
    if (_setjmp(at_home)) return;
    if (begun[t]) _longjmp(in_fiber[t], 1);
    begun[t] = 1;
    setcontext(&fibers[t]);
}
template <class T> static T warp_sum(T value)
{
    shared_by_warp[threadIdx.x] = value;
    __syncthreads();
    T sum = 0;
    for (int i = 0; i < 32; ++i) sum += (T)shared_by_warp[threadIdx.x / 32 * 32 + i];
    __syncthreads();
    return sum;
}
static float rsqrtf(float x) { return 1.0f / sqrtf(x); }
static double rsqrt(double x) { return 1.0 / sqrt(x); }
static void fast_sine_cosine(float x, float* s, float* c) { *s = sinf(x); *c = cosf(x); }
#define __sincosf fast_sine_cosine
static void run_blocks(int gx, int gy, int threads, bool barriers, std::function<void()> kernel)
{
    static std::vector<std::vector<char>> stacks;
    body = kernel;
    gridDim = {gx, gy, 1};
    blockDim = {threads, 1, 1};
    if ((int)stacks.size() < threads) stacks.resize(threads, std::vector<char>(65536));
    fibers.resize(threads);
    for (int b = 0; b < gx * gy; ++b) {
        blockIdx = {b % gx, b / gx, 0};
        if (!barriers) {
            for (int t = 0; t < threads; ++t) { threadIdx = {t, 0, 0}; kernel(); }
            continue;
        }
        ended.assign(threads, 0);
        begun.assign(threads, 0);
        for (int t = 0; t < threads; ++t) {
            getcontext(&fibers[t]);
            fibers[t].uc_stack.ss_sp = stacks[t].data();
            fibers[t].uc_stack.ss_size = stacks[t].size();
            fibers[t].uc_link = &home;
            makecontext(&fibers[t], fiber, 0);
        }
        for (int left = threads; left > 0;)
            for (int t = 0; t < threads; ++t)
                if (!ended[t]) { resume(t); left -= ended[t]; }
    }
}
#define KERNEL static
#define KERNEL_OF(threads, blocks) KERNEL
#define DEVICE static inline
#define __shared__ static
"""


def build(source: str, folder: Path, real: str, flags: tuple[str, ...] = ()) -> ctypes.CDLL:
    """Compile the kernels with a launcher `run_NAME(gx, gy, threads, ...)` for each."""
    launchers = []
    for kernel in re.finditer(r"^KERNEL(?:_OF\([^)]*\))? void (\w+)\((.*?)\)\n\{", source, re.M | re.S):
        name, arguments = kernel.groups()
        text = source[kernel.start() :]
        end = text.find("\nKERNEL", 10)
        barriers = str(any(word in text[:end] for word in ("__syncthreads", "warp_sum", "product_rows"))).lower()
        names = ", ".join(a.split()[-1].lstrip("*") for a in arguments.split(","))
        launchers.append(
            f'extern "C" void run_{name}(int gx, int gy, int threads, {arguments})'
            f"{{ run_blocks(gx, gy, threads, {barriers}, [&]() {{ {name}({names}); }}); }}"
        )
    text = "\n".join([SHIM, f"#define REAL {real}", f"#define DOUBLE {int(real == 'double')}", source, *launchers])
    name = hashlib.sha256(text.encode()).hexdigest()[:16]
    code, library = folder / f"{name}.cpp", folder / f"{name}.so"
    if not library.exists():
        code.write_text(text, encoding="utf-8")
        subprocess.run(["g++", "-O2", "-fPIC", "-shared", "-w", *flags, str(code), "-o", str(library)], check=True)
    return ctypes.CDLL(str(library))


def have_compiler() -> bool:
    return shutil.which("g++") is not None


class PlainDevice:
    """`gpu_device.Device` on this processor."""

    name = "plain C++"
    arrays = np
    failures = (RuntimeError,)
    one_at_a_time = threading.Lock()

    def __init__(self, source: str, folder: Path, memory: int = 1 << 40) -> None:
        self.source, self.folder, self.memory = source, folder, memory
        self.libraries: dict[str, ctypes.CDLL] = {}
        self.calls: list[str] = []
        self.turn = threading.RLock()
        self.holder = None

    def active(self):
        return nullcontext()

    def run(self, precision, kernel, grid, threads, *arguments):
        if precision not in self.libraries:
            self.libraries[precision] = build(self.source, self.folder, "float" if precision == "single" else "double")
        self.calls.append(kernel)
        given = []
        for value in arguments:
            if isinstance(value, np.ndarray):
                assert value.flags.c_contiguous or value.ndim == 1, kernel
                given.append(ctypes.c_void_p(value.ctypes.data))
            elif isinstance(value, np.int32):
                given.append(ctypes.c_int(int(value)))
            else:
                assert isinstance(value, np.float64), (kernel, value)
                given.append(ctypes.c_double(float(value)))
        gx, gy = (*grid, 1)[:2]
        with self.one_at_a_time:
            self.launch(precision, kernel, gx, gy, threads, given)

    def launch(self, precision, kernel, gx, gy, threads, given):
        getattr(self.libraries[precision], f"run_{kernel}")(gx, gy, threads, *given)

    def fetch(self, array):
        return np.asarray(array).copy()

    def free_bytes(self):
        return self.memory
