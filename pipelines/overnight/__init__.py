"""A tree of recordings: what is to be mined, by whom, and what is done already.

In: a folder, a memory budget, perhaps a cluster. Out: findings of each recording, a journal, and what failed and why.
"""
