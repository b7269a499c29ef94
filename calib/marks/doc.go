// Package marks uses the reference marks of a camera tube: small opaque spots
// or crosses on its faceplate, whose true places were measured once. The
// electron beam that reads the target out does not run evenly, so each frame
// shows the marks displaced; where they stand tells the geometry of the frame.
//
// [Find] locates the marks in a frame, [Fit] describes the displacement by a
// polynomial from true to measured places, and [Model.Row] gives the places
// from which a rectified image takes its samples. [Cover] flags the pixels that
// the marks hide.
//
// Places are in pixels; the centre of the first pixel is (0, 0).
package marks
