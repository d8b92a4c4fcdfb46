"""Health: what is wrong with a vehicle, and how do we know. Rules over its record give findings with evidence, and
findings give a score per subsystem; start at engine.judge(). Pure: a record in, a verdict out; no file, no catalogue,
no clock. It may import metrics, vehicle and science.
"""
