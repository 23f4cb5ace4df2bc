"""How seldom a healthy engine shows what an event shows.

In: distances from usual, and counts of absent and further pulses. Out: false alarms an hour, event by event.
"""
