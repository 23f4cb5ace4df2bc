"""What a lead does, from some stretches of it: one that is described (`profile`), one that is not (`unknown_leads`)."""
