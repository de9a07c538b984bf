"""Raw edges with kernel times in, settled levels out.

Rule 1: a level counts once it has stood still for `stable_s`; shorter ones never were.
Rule 2: a settled change carries the time of its first edge, when the magnet really came.
Rule 3: whoever feeds edges also calls `flush` at `due_s`, for the last edge has no successor.
"""
