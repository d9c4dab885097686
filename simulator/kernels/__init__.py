"""Numeric kernels, arrays in and arrays out; the same source runs compiled and, with NUMBA_DISABLE_JIT=1, plain."""
