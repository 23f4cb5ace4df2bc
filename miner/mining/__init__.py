"""How the stages work together on one recording, from volts to findings, within bounded memory.

In: a recording and its setup (paths). Out: a folder of findings.
"""
