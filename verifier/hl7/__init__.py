"""HL7 v2 without sockets: framing, reading, answering and editing messages. Pure functions."""
