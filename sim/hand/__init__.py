"""A hand: many joints, one supply, several boards.

file.py        the hand file: joints by reference, boards, supply, fingers, postures, sequences
moment_arms.py how a cable's moment arm follows the angle, as the kernel's polynomial
coupled.py     all joints in step: shared supply, crossing cables, gravity along a finger
budget.py      supply, ticks, link, heat, cost and mass against what there is
"""
