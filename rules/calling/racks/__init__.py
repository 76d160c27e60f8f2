"""What racks say: which word is news, who speaks as a rack, whether racks are heard at all.

Nobody is called from here, and no problem is known.
"""
