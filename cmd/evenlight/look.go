package main

import (
	"fmt"
	"io"
	"math"
	"strings"

	"github.com/spf13/cobra"

	"evenlight/configs"
	"evenlight/pipeline"
)

func provenanceCommand(s *settings) *cobra.Command {
	return &cobra.Command{
		Use:     "provenance FILE...",
		Short:   "Show how a product or master was made",
		Example: "  evenlight provenance products/0174-scene-calibrated.fits\n  evenlight provenance --json masters/*.fits",
		Args:    cobra.MinimumNArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			var all []*pipeline.Provenance
			failures := 0
			for _, path := range args {
				p, err := pipeline.ReadProvenance(path)
				if err != nil {
					failures++
					fmt.Fprintf(c.ErrOrStderr(), "evenlight: %v\n", err)
					continue
				}
				all = append(all, p)
				if !s.json {
					fmt.Fprint(c.OutOrStdout(), p.Text())
				}
			}
			if s.json {
				if err := writeJSON(c.OutOrStdout(), all); err != nil {
					return failed(err)
				}
			}
			return outcome(len(all), failures, "nothing to show")
		},
	}
}

func verifyCommand(s *settings) *cobra.Command {
	var inputs []string
	c := &cobra.Command{
		Use:   "verify --inputs FOLDER... PRODUCT...",
		Short: "Make products again from their inputs and compare byte for byte",
		Long: `Finds the raw frame and the masters that a product's header lists, by name and
content hash, makes the product again in memory with the profile that it
carries, and compares the bytes. Nothing is written.`,
		Example: "  evenlight verify --inputs raw --inputs masters products/*-calibrated.fits",
		Args:    cobra.MinimumNArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			var all []*pipeline.Verification
			same, failures := 0, 0
			for _, path := range args {
				v, err := pipeline.Verify(path, inputs, s.workers)
				if err != nil {
					failures++
					fmt.Fprintf(c.ErrOrStderr(), "evenlight: %v\n", err)
					continue
				}
				all = append(all, v)
				if v.Same {
					same++
				} else {
					failures++
				}
				if !s.json {
					fmt.Fprintf(c.OutOrStdout(), "%-9s %s\n", map[bool]string{true: "same", false: "differs"}[v.Same], strings.Join(append([]string{path}, v.Details...), ": "))
				}
			}
			if s.json {
				if err := writeJSON(c.OutOrStdout(), all); err != nil {
					return failed(err)
				}
			}
			return outcome(same, failures, "nothing to verify")
		},
	}
	c.Flags().StringArrayVar(&inputs, "inputs", nil, "folder in which to look for raw frames and masters (required, may be repeated)")
	_ = c.MarkFlagRequired("inputs")
	return c
}

func inspectCommand(s *settings) *cobra.Command {
	c := &cobra.Command{
		Use:     "inspect --profile FILE RAW...",
		Short:   "Show how a profile reads raw frames",
		Example: "  evenlight inspect --profile cam.yaml raw/0001.fits",
		Args:    cobra.MinimumNArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			in, err := s.instrument()
			if err != nil {
				return err
			}
			files, err := pipeline.FindFrames(args)
			if err != nil {
				return failed(err)
			}
			done, failures := 0, 0
			views := []map[string]any{}
			for _, path := range files {
				got, err := in.Inspect(path)
				if err != nil {
					failures++
					fmt.Fprintf(c.ErrOrStderr(), "evenlight: %v\n", err)
				}
				for _, v := range got {
					done++
					views = append(views, viewJSON(v))
					if !s.json {
						writeView(c.OutOrStdout(), v)
					}
				}
			}
			if s.json {
				if err := writeJSON(c.OutOrStdout(), views); err != nil {
					return failed(err)
				}
			}
			return outcome(done, failures, "no FITS files found")
		},
	}
	s.needProfile(c)
	return c
}

// viewJSON leaves out what the camera does not tell.
func viewJSON(v pipeline.FrameView) map[string]any {
	out := map[string]any{"file": v.File, "detector": v.Detector, "plane": v.Plane, "kind": v.Info.Kind, "band": v.Info.Band,
		"mode": v.Info.Mode, "target": v.Info.Target, "time": v.Info.Time.UTC(), "exposure_s": v.Info.ExposureS, "wait_s": v.Info.WaitS}
	if !math.IsNaN(v.Info.TempK) {
		out["temperature_k"] = v.Info.TempK
	}
	if !math.IsNaN(v.Info.SunDistanceAU) {
		out["sun_distance_au"] = v.Info.SunDistanceAU
	}
	return out
}

func writeView(w io.Writer, v pipeline.FrameView) {
	i := v.Info
	fmt.Fprintf(w, "%s  detector %s  %s  %s  band %s  mode %s  %.6g s  %.2f K\n", v.File, v.Detector, i.Kind,
		i.Time.UTC().Format("2006-01-02T15:04:05.000"), dash(i.Band), dash(i.Mode), i.ExposureS, i.TempK)
}

func dash(s string) string {
	if s == "" {
		return "-"
	}
	return s
}

func profileCommand(s *settings) *cobra.Command {
	c := &cobra.Command{Use: "profile", Short: "Check, show and describe profiles", Args: cobra.NoArgs,
		Example: "  evenlight profile check --profile cam.yaml",
		RunE:    func(c *cobra.Command, _ []string) error { return c.Help() }}
	check := &cobra.Command{
		Use: "check --profile FILE", Short: "Check a profile and list its stages",
		Example: "  evenlight profile check --profile cam.yaml", Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			in, err := s.instrument()
			if err != nil {
				return err
			}
			if s.json {
				return writeJSON(c.OutOrStdout(), map[string]any{"instrument": in.Profile.Instrument, "profile_sha256": in.Hash, "stages": in.Stages(0)})
			}
			fmt.Fprintf(c.OutOrStdout(), "%s: good; SHA-256 %s\n", in.Profile.Instrument, in.Hash)
			for i, d := range in.Profile.Detectors {
				fmt.Fprintf(c.OutOrStdout(), "stages of detector %s, in the order of acting\n", d.Name)
				for _, st := range in.Stages(i) {
					fmt.Fprintf(c.OutOrStdout(), "  %-12s %-3s  %s%s\n", st.Name, onOff(st.On), st.Does, needs(st.Master))
				}
			}
			return nil
		},
	}
	s.needProfile(check)
	show := &cobra.Command{
		Use: "show --profile FILE", Short: "Print a profile as it is used, defaults and overrides included",
		Example: "  evenlight profile show --profile quillon --set output.quantity=electrons", Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			p, err := s.load()
			if err != nil {
				return err
			}
			if s.json {
				return writeJSON(c.OutOrStdout(), p)
			}
			_, err = c.OutOrStdout().Write(p.Canonical())
			return err
		},
	}
	s.needProfile(show)
	template := &cobra.Command{
		Use: "template [NAME]", Short: "Print a built-in profile with its comments, to start a new one from", Args: cobra.MaximumNArgs(1),
		Example: "  evenlight profile template quillon >cam.yaml", ValidArgs: configs.BuiltinNames(),
		RunE: func(c *cobra.Command, args []string) error {
			name := "quillon"
			if len(args) > 0 {
				name = args[0]
			}
			text, err := configs.Builtin(name)
			if err != nil {
				return err
			}
			_, err = c.OutOrStdout().Write(text)
			return err
		},
	}
	schema := &cobra.Command{
		Use: "schema", Short: "Print the JSON Schema of profiles", Args: cobra.NoArgs,
		Example: "  evenlight profile schema >profile.schema.json",
		RunE: func(c *cobra.Command, _ []string) error {
			_, err := c.OutOrStdout().Write(configs.Schema())
			return err
		},
	}
	c.AddCommand(check, show, template, schema)
	return c
}

func onOff(on bool) string {
	if on {
		return "on"
	}
	return "off"
}

func needs(master string) string {
	if master == "" {
		return ""
	}
	return "; needs a master: " + master
}
