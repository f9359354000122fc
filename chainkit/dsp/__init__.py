"""Signal processing: numbers in, numbers out; no file, no text, nothing else of ours.

Loops over frames, compiled: `kernels` are those of a chain; `kernels_…` those of the meters, the
Fourier transforms, the quantiser and so on.

What a chain is made of
    levels         decibels and linear gain
    filters        design of sections and of linear-phase splits, and their response
    cascade        sections in series, with state
    convolution    linear-phase filters, with state
    delay          frames that wait
    storage        memory for blocks
    gains          a constant gain, and moves over time
    equalizer      the equalizer
    split          a voice parted into a base and the band above
    deesser        the de-esser
    dynamics       static curve, detector, compressor
    crossing       finds a makeup in few trials
    limiter        the true-peak limiter
    dither         quantising, with dither where bits are lost

What is measured of any voice
    meter          all of it in one pass
    loudness       ITU-R BS.1770, EBU Tech 3342
    truepeak       ITU-R BS.1770, Annex 2
    amplitude      peak, RMS, clipped runs, when the voice sounds
    spectrum       bands of the long-term spectrum
    sibilance      sibilants and their index
    shorttime, fourier    spectra of windows, as those two need them
    steady_bands   a whistle taken out of the former

Phrases and rides
    phrases        where a voice sings and breathes
    voicing        how periodic it is
    riding         level moves
    polyline       few points for a curve

What `scout` looks for
    hum, tones, rumble, attack, regions, sibilance_edge, audibility    each a kind of finding
    resonance      narrow bands that stand out whatever sounds
    longterm       whether different partials have passed through a place
    prominence     prominent tones after ECMA-418-1
    decimation     lower sample rates
    glide          a bell that glides, to hear a place

Inside `resonance`, from below
    log_cells, pitch, observation    cells of frequency; pitch; what one moment tells of the cells
    excitation, harmonic_ratio, room_noise    three kinds of moments
    passing        what the moments of one kind have in common
    evidence       all observations in one
    unevenness     how uneven the source itself is
    bell_fit       bells fitted to the evidence

Invented sound
    voice          a singer, with the truth of what was sung
    backing        a band
"""
