"""The rack's side of the broker: what is published, confirmed, kept standing, and asked of us; and the door
for what people answer over it.

No probe is read here, and nothing that calls people.
"""
