"""Hands for the tests of jobs: actions one after another, what they say, the steps of the way back."""

from __future__ import annotations


def do(job, *lines):
    return [job.do(line) for line in lines]


def words(job, line):
    return " ".join(job.do(line).lines)


def steps(job):
    return {step.name: step for step in job.car.now(lambda car: car.tracks["GBX"].steps())}
