"""Tells other programs by HTTP what happened: signed, tried again, never to addresses inside."""
