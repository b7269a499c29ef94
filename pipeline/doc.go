// Package pipeline walks frames through their stages and remembers what was
// done: it reads raw FITS frames, builds and selects master frames, writes
// calibrated products with their provenance, and reports on a run.
//
// The physics is in package calib, the file format in package fitsutil, and
// what is particular to a camera in a profile of package configs.
package pipeline

// Version is the version of the software. It is part of every product's
// provenance: a change that alters a product's bytes alters the version.
const Version = "0.4.0"

// Software is the name that products carry.
const Software = "evenlight"
