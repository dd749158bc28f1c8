"""The unit as one pure object: a bed, plates, alarms, a recording. Pure."""
