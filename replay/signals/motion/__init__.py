"""How a joint moved: rates, held and moving spans, single motions and their likes."""
