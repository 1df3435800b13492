"""Moist air, wood, mould, rot and walls: arrays in, arrays out, each equation with its source.

Everything here is a pure function of its keyword arguments: °C, %, Pa; floats or arrays that
broadcast, the same shape out, float64. nan stands for "not measured" and gives nan, except where
a missing hour holds a state (`mould`). A value outside the range of an equation is an error that
names the range; nothing is cut into a range unless the docstring says so and why.
"""
