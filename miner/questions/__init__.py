"""What else a technician asks: when does it happen, does one cylinder differ, what would have been found.

In: the event table, the list, and what the judge learned. Out: one table a question.
"""
