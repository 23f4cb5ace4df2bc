"""Which events are suspects, what they are called, what belongs together and where it points.

In: the judgement of every event. Out: the ranked list with a sentence for each suspect, and the incidents.
"""
