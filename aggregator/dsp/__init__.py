"""Kernels over arrays of listeners: axis 0 is the listener, time is an argument, numpy is the only import."""
