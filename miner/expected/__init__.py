"""What is usual for an event, and how far healthy ones stray.

In: the event table. Out: for every event and measure the values that would be usual, and the noise around them.
"""
