"""From readings to edges: conversion, limits, trends, silence, causes, block by block.

What becomes of an edge is decided in `rules.alarms`.
"""
