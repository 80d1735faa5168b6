"""Who may do what from another computer: rungs, and the passes and invitations that open them."""
