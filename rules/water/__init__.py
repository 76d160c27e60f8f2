"""Seawater: salinity, conductance, density, oxygen, and how far each can be trusted.

Published formulas only: no channel, limit or alarm.
"""
