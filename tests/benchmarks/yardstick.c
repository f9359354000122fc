/* The yardstick: six EQ sections, a de-esser with a 4th-order split, a compressor. One plain loop
   over the frames of a mono signal, in place, with log10 and exp of the standard library for
   every frame. No detector windows: the level of a frame is its magnitude. */

#include <math.h>

typedef struct { double b0, b1, b2, a1, a2, p, q; } section;
typedef struct { double threshold, slope, knee, attack, release, gain; } dynamics;

static inline double filter(section *s, double x)
{
    double y = s->b0 * x + s->p;
    s->p = s->b1 * x - s->a1 * y + s->q;
    s->q = s->b2 * x - s->a2 * y;
    return y;
}

static inline double follow(dynamics *d, double x)
{
    double level = 20.0 * log10(fabs(x) + 1e-20);
    double over = level - d->threshold;
    double target;
    if (2.0 * over < -d->knee)
        target = 0.0;
    else if (2.0 * over <= d->knee)
        target = -d->slope * (over + 0.5 * d->knee) * (over + 0.5 * d->knee) / (2.0 * d->knee);
    else
        target = -d->slope * over;
    double a = target < d->gain ? d->attack : d->release;
    d->gain = a * d->gain + (1.0 - a) * target;
    return exp(d->gain * 0.11512925464970228);
}

void yardstick(double *x, long frames, section *eq, section *low, section *high,
               dynamics *deesser, dynamics *compressor)
{
    for (long n = 0; n < frames; n++) {
        double v = x[n];
        for (int k = 0; k < 6; k++)
            v = filter(&eq[k], v);
        double below = filter(&low[1], filter(&low[0], v));
        double above = filter(&high[1], filter(&high[0], v));
        v = below + follow(deesser, above) * above;
        x[n] = v * follow(compressor, v);
    }
}
