"""The command line: which work the user asks for.

In: arguments. Out: calls of `miner` for one recording, of `pipelines.overnight` for many; words by `pipelines.show`.
"""
