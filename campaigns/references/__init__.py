"""Comparisons with engines written by others."""
