"""Mining from a program or a notebook: a recording or arrays in, data frames and pictures out.

Everything here is reached as ``miner.<name>`` and loaded when it is first used.
"""
