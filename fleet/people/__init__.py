"""People: who logs in and how, roles, own settings, and the trail of what they changed."""
