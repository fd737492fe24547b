"""The sentences of answers: functions of numbers that return text."""
