"""What runs on the board: the control layer of one joint, in plain Python.

The same files run on CPython, on MicroPython and, compiled, in batch
simulation. README.md of this folder lists the language subset they keep to.
"""
