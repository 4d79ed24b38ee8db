"""An invented shop: a physical cranking simulation and a year of captures and repair orders.

Everything in it is made up and labelled as such; the planted truth is written beside the files.
"""
