"""What a joint's brake did, measured once: releases, engagements, slips, drag."""
