"""How the kernels of the forecast are compiled."""

from __future__ import annotations

from numba import njit

# Without counted references (_nrt): the kernels allocate nothing, and an atomic increment for every
# array that goes into a function would cost as much as the work in it.
JIT = njit(cache=True, nogil=True, error_model="numpy", _nrt=False, no_cfunc_wrapper=True)
# For what happens seldom: a call that only kernels make.
PART = njit(
    cache=True, nogil=True, error_model="numpy", _nrt=False, no_cpython_wrapper=True,
    no_cfunc_wrapper=True,
)  # fmt: skip
# For what happens often: to hand ten arrays over costs as much as to use them. Put in by LLVM, not
# by numba (inline="always"), which would look up the types of every copy anew: that took seconds.
INLINE = njit(
    cache=True, nogil=True, error_model="numpy", _nrt=False, no_cpython_wrapper=True,
    no_cfunc_wrapper=True, forceinline=True,
)  # fmt: skip
# The same for what is also called from Python.
OPEN = njit(
    cache=True, nogil=True, error_model="numpy", _nrt=False, no_cfunc_wrapper=True,
    forceinline=True,
)  # fmt: skip
