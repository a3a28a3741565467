"""The physical models: on-times, coil heat, cable, magnet, release, and the rail and its supply.

A model takes tables and gives numbers; what several pages ask of one history is worked out once.
"""
