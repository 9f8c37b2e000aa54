"""The calls the model is measured against.

Reads one request a line, {"call": name, "input": {...}, "seconds": least time to measure}, and answers each with
{"values": what the call gave, "seconds": processor time of one call}. To add a call, write a function below that takes the input and
gives back what is to be timed, a call that gives a list of numbers: all that is done once for many calls stands outside
of that.
"""

import json
import math
import os
import sys
import time
import warnings

# One core against one core.
os.environ.update(OMP_NUM_THREADS="1", OPENBLAS_NUM_THREADS="1")
warnings.simplefilter("ignore")


def local_level(values, noise, drift):
    """Log-likelihood of a drifting level, from an exact diffuse start."""
    from statsmodels.tsa.statespace.structural import UnobservedComponents

    model = UnobservedComponents(values, "local level", use_exact_diffuse=True)
    return lambda: [model.loglike([noise, drift])]


def weibull(ages, failed):
    """Logarithms of shape and scale of censored lives."""
    import numpy
    from lifelines import WeibullFitter

    ages, failed = numpy.array(ages), numpy.array(failed)

    def fit():
        found = WeibullFitter().fit(ages, failed)
        return [math.log(found.rho_), math.log(found.lambda_)]

    return fit


def accelerated_weibull(ages, failed, columns):
    """Logarithm of the shape, intercept and coefficients of censored lives with covariates."""
    import pandas
    from lifelines import WeibullAFTFitter

    names = [f"x{number}" for number in range(len(columns))]
    lives = pandas.DataFrame({"age": ages, "failed": failed} | dict(zip(names, columns, strict=True)))

    def fit():
        found = WeibullAFTFitter().fit(lives, "age", "failed").params_
        scale = found["lambda_"]
        return [found["rho_"]["Intercept"], scale["Intercept"], *(scale[name] for name in names)]

    return fit


CALLS = {call.__name__: call for call in (local_level, weibull, accelerated_weibull)}


def measure(call, least):
    """The values of a call, and the time of one: as many are made as fill the time given, the first not counted."""
    values = call()
    calls, start = 0, time.process_time()
    while (spent := time.process_time() - start) < least or calls == 0:
        call()
        calls += 1
    return {"values": values, "seconds": spent / calls}


for line in sys.stdin:
    request = json.loads(line)
    prepared = CALLS[request["call"]](**request["input"])
    print(json.dumps(measure(prepared, request["seconds"])), flush=True)
