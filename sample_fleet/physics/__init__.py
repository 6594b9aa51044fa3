"""How the invented drives write, wear, heat and fail; shares no code with whoever judges them."""
