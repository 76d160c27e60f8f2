"""Who is told what, and when: problems, rota, escalation, floods, signs of life.

No channel and no water lives here, and nothing is sent.
"""
