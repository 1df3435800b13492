"""What the readings say beyond a level: leak or condensation, trust in sensors, a repair that held.

Pure folds over days and hours, numpy in and out; each finding names the cues it rests on.
"""
