"""Mutation check of the guards: small faults put into their code on purpose, one at a time, for the tests to find."""
