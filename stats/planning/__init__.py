"""Planning the next trial: closed forms, the pilot's uncertainty, the pilot's own size, progression, simulation."""
