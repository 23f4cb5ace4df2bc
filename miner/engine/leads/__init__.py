"""Which unknown lead is which: looks at leads go in, roles with reasons and a setup to edit come out."""
