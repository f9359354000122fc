#!/bin/sh
# First render: from nothing to a rendered voice, and what the chain did to it.
# Run as: sh examples/first_render.sh [FOLDER]
set -eu
folder=${1:-first}

# A sung voice nobody sang, a backing, their ground truth as CSV, a chain; and a first render.
chainkit demo "$folder" --length "12 s"

# What the chain file resolves to, every default filled in.
chainkit check "$folder/chain.yaml"

# Another chain on the same voice: a preset, by its name.
chainkit render "$folder/voice.wav" --chain close-and-clear -o "$folder/close.wav"

# The first rows of its gain-reduction log: one row each 10 ms.
head -n 5 "$folder/close.gr.csv"

# Render again from the record: is it still the same audio, bit for bit?
chainkit verify "$folder/close.record.json"

# Make a preset your own, change one value, hear the difference.
chainkit presets copy close-and-clear "$folder/mine.yaml"
chainkit render "$folder/voice.wav" --chain "$folder/mine.yaml" \
    --set "deess.threshold=-42 dB" -o "$folder/mine.wav"
