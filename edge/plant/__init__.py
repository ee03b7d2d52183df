"""A simulated nitrogen supply with its piping, for the demo and for judging the judgement.

On purpose it shares no code and no constant with edge.core or the judge: a mistake made there
cannot hide here. It knows the truth (loss, production, temperature of the gas); noise, steps and
faults of a sensor are added by whoever reads it.

Compressor and membrane fill the supply line through a needle valve; a pressure control starts
and stops them; an air maintenance device lets gas into each system; everything leaks a little.
The gas in the line and in each system is well mixed: what comes in mixes with what is there, and
what goes out is of that mixture, step by step.

Sources: ideal gas, n = PV/RT. Flow through an opening: the ISO 6358 form, choked below the
critical pressure ratio (0.528 for air). Purity against flow: cross-flow solution-diffusion at
selectivity 6 and 100 psig feed, worked out for this project, a table here. Start-up dip, thermal
settling and the stirring of the sample line: common practice, no source.
"""
