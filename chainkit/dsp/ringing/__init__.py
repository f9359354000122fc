"""Resonances: narrow bands that ring at one place, whatever is sung or played.

`resonance` finds them, and its docstring tells the way through the other modules. Spectra are
sampled where something excites them (`pitch`, `excitation`, `harmonic_ratio`, `room_noise`) as
observations on one grid (`observation`, `log_cells`), brought together (`passing`, `evidence`), and
bells are fitted to what remains (`bell_fit`, `unevenness`).
"""
