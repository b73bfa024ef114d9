// The arguments of the fused launches, packed by kernels/cuda/packing.py (same order, 4-byte fields
// after the pointers). *Structure* is coded in integers that the specialised form has as constants;
// everything a person can drag is a value.
#pragma once
#include "compat.cuh"

#define KERNEL_POINTWISE 0
#define KERNEL_TRAFFIC 1
#define KERNEL_PREVIEW 2           // from here: kernels that make a picture
#define KERNEL_PREVIEW_EVEN 3
#define KERNEL_PREVIEW_TRAFFIC 4
#define KERNEL_PREVIEW_EVEN_TRAFFIC 5
#define MAX_EXTRACTORS 16
#define MAX_PASSES 8
#define HUES 361               // entries of a table over hue: one a degree, and one for a whole turn

// An extractor's code.
#define KIND 7                  // KIND_VALUE_BAND and so on: sources.py, in the recipe's order
#define NORM_DELTA_E 2            // mode of a plate difference
#define MODE_SHIFT 3            // 3 bits: channel of a band, norm of a difference, kind of excess
#define MODE(code) (((code) >> MODE_SHIFT) & 7)
#define SPACE_LOG (1 << 6)
#define OPERATION 127           // the bits up to here
#define READS_DENOISED (1 << 7)
#define COMBINE_SHIFT 8            // 3 bits
#define COMBINE(code) (((code) >> COMBINE_SHIFT) & 7)
#define COMBINE_MAX 0
#define COMBINE_MIN 1
#define COMBINE_UNION 2
#define COMBINE_MULTIPLY 3
#define COMBINE_SUBTRACT 4
#define COMBINE_DIFFERENCE 5
#define COMBINE_AVERAGE 6
#define HAS_MASK (1 << 11)
#define FROM_STAGE (1 << 12)
#define RELATIVE (1 << 13)
#define FLOOR_IN_SIGMA (1 << 14)
#define OPEN_LOW (1 << 15)
#define OPEN_HIGH (1 << 16)

// A despill pass's code.
#define PASS_LIMIT 3
#define LIMIT_WEIGHTED 0
#define LIMIT_LARGER 1
#define LIMIT_SMALLER 2
#define PASS_FILL (3 << 2)
#define FILL_NONE (0 << 2)
#define FILL_GREY (1 << 2)
#define FILL_BACKGROUND (2 << 2)
#define PASS_SPILL_CURVE (1 << 4)
#define PASS_SATURATION_CURVE (1 << 5)
#define PASS_SHAPES (1 << 6)
#define PASS_MASK (3 << 7)
#define MASK_EXTRACTOR (1 << 7)
#define MASK_CUMULATIVE (2 << 7)

// What exists, which half of it is stored as half floats, how edges are coloured.
#define PLATE_HALF (1 << 0)
#define DENOISED_HALF (1 << 1)
#define CLEAN_HALF (1 << 2)
#define BACKGROUND_HALF (1 << 3)
#define HAS_DENOISED (1 << 4)
#define HAS_CLEAN (1 << 5)
#define HAS_BACKGROUND (1 << 6)
#define HAS_PLATE_ALPHA (1 << 7)
#define HAS_GARBAGE (1 << 8)
#define HAS_KEEP_SOLID (1 << 9)
#define HAS_AREA (1 << 10)
#define HAS_SHADOW (1 << 11)
#define HAS_LIGHT (1 << 12)
#define HAS_WRAP (1 << 13)
#define HAS_LOCAL_FOREGROUND (1 << 14)
#define HAS_CUMULATIVE (1 << 15)
#define CLEAN_IS_EVEN (1 << 16)   // the despilled screen is one colour, computed on the host
#define REGRAIN (1 << 17)
#define EDGE_SHIFT 18             // 2 bits
#define EDGE_MULTIPLY 0
#define EDGE_SUBTRACT 1
#define EDGE_UNMIX 2
#define PRIMARY_SHIFT 20          // 2 bits
#define OUTPUT_HALF (1 << 22)
#define POOL_SHIFT 23             // 2 bits: mean, largest, smallest
#define COLUMN_SHIFT 25           // 3 bits: an even preview's boxes are 2^n pixels wide,
#define ROW_SHIFT 28              // 2 bits: and 2^n high

// What a launch is asked for: planes written, or the picture of a view.
#define OUT_ALPHA (1 << 0)
#define OUT_DESPILLED (1 << 1)
#define OUT_STRAIGHT (1 << 2)
#define OUT_FOREGROUND (1 << 3)
#define OUT_COMPOSITE (1 << 4)
#define OUT_EXTRACTOR (1 << 5)    // finished matte of extractor out_index
#define OUT_RAW (1 << 6)          // matte of extractor out_index before its refinement, and guide
#define OUT_COMBINED (1 << 7)       // combined mattes before the cumulative refinement, and guide
#define OUT_WRAP (1 << 8)
#define OUT_LOCAL_FOREGROUND (1 << 9)   // weighted despilled plate (3) and the weight
#define OUT_PRIMARY (1 << 10)     // denoised primary, for the screen's shadows
#define OUT_MATTE (1 << 18)       // combined matte as in OUT_ALPHA, before the marked area
#define OUT_PLATE (1 << 11)       // views only from here
#define OUT_DENOISED (1 << 12)
#define OUT_CLEAN (1 << 13)
#define OUT_SPILL (1 << 14)
#define OUT_EVENNESS (1 << 15)
#define OUT_ALPHA_NOISE (1 << 16)
#define OUT_DECIDING (1 << 17)
#define OUT_ALPHA_ERROR (1 << 19)

#define OUT_BITS 20

#define CHANNEL_COLOUR 0
#define CHANNEL_LUMINANCE 4

struct ExtractorParams {
    int code;
    int on;
    float strength;
    float sign, offset;        // finished matte = sign m + offset: 1, 0 or, inverted, -1, 1
    float black, span_inverse; // levels
    float scale, shift;        // sign, offset and levels in one
    int two_steps;             // inversion and levels are not in `line`, or `scale` and `shift`
    float raw[3], line[3];     // pivot, slope, rest of a straight matte, before and after levels
    float v[6];                // the kind's own values, see extract.cuh
};

struct PassParams {
    int code;
    int on;
    float weight, amount, fill_amount;
    float mask_sign, mask_offset;
    int unused;
};

struct Params {
    u64 plate, denoised, clean, background;             // (3, H, pitch), half or float
    u64 plate_alpha, garbage, keep_solid, area;          // (H, pitch) float
    u64 cumulative, shadow, wrap, local_foreground;         // float; local_foreground has 4 planes
    u64 matte[MAX_EXTRACTORS], mask[MAX_EXTRACTORS];  // (H, pitch) float
    u64 unmixed[MAX_EXTRACTORS], alpha_error;         // (H, pitch) float: found on the host
    u64 pass_mask[MAX_PASSES], pass_matte[MAX_PASSES]; // (H, pitch) float
    u64 fill[MAX_PASSES];                             // (3, H, pitch) float
    u64 hue_tables;                                   // float2 [MAX_PASSES][2][HUES]
    u64 out[OUT_BITS], out_guide;                     // first plane of each output asked for
    u64 shaper, cube, false_colour;                   // float tables
    u64 columns, rows;                                // Box tables of the preview
    u64 pooled, picture;                              // (height, width, 3) floats, bytes
    long long plane;                                  // values between planes
    int pitch, x0, y0, x1, y1, frame;
    int extractors, passes, flags, outputs, out_index;
    float screen[3], screen_log[3], screen_lab[3], neutral_screen[3];
    float weights[3];
    float noise_gain[3], noise_offset[3], noise_inverse[6], noise_measured;
    float grain_root[6], grain_amount;
    float black, span_inverse;                        // levels of the combined matte
    float settle_scale, hold;
    float foreground_gain[3];
    int graded;                                       // a foreground gain is not 1
    float light_shadows, light_amount, wrap_amount;
    float level, level_share;                         // evenness: screen's level, excess share
    int picture_width, picture_height, tile_rows, tile_columns;
    int view_channel, finish, stress_preset;
    float stress_gain, stress_power, box_share;       // the last: of an even preview
    float look_exposure, look_slope[3], look_offset[3], look_power[3], look_saturation;
    float shaper_toe, shaper_floor, shaper_low, shaper_span;
    int shaper_size, cube_size;
    ExtractorParams extractor[MAX_EXTRACTORS];
    PassParams pass[MAX_PASSES];
};

// Pixels that one column or row of the preview averages: first .. end, and their shares.
struct Box {
    int first, end;
    float share_first, share_last, share_inner;
    int unused[3];
};

// Structure: constants in the specialised form, read from the arguments otherwise.
#ifdef SPECIALISED
DEVICE constexpr int code_at(int e) {
    constexpr int codes[] = S_EXTRACTOR_CODES;
    return codes[e];
}
DEVICE constexpr int pass_code_at(int n) {
    constexpr int codes[] = S_PASS_CODES;
    return codes[n];
}
#define CODE(P, e) code_at(e)
#define PASS_CODE(P, n) pass_code_at(n)
#define EXTRACTORS(P) S_EXTRACTORS
#define PASSES(P) S_PASSES
#define FLAGS(P) S_FLAGS
#define OUTPUTS(P) S_OUTPUTS
#define OUT_INDEX(P) S_OUT_INDEX
#else
// The general form comes in two sizes: `lean` leaves out what few recipes use, which would cost
// every other recipe registers. The host takes `full` for those.
#ifndef LEAN
#define LEAN_CODE -1
#define LEAN_PASS_CODE -1
#define LEAN_FLAGS -1
#define LEAN_ALWAYS 0
#define LEAN_OUTPUTS -1
#endif
#define CODE(P, e) ((P).extractor[e].code & LEAN_CODE)
#define PASS_CODE(P, n) ((P).pass[n].code & LEAN_PASS_CODE)
#define EXTRACTORS(P) ((P).extractors)
#define PASSES(P) ((P).passes)
#define FLAGS(P) (((P).flags & LEAN_FLAGS) | LEAN_ALWAYS)
#define OUTPUTS(P) ((P).outputs & LEAN_OUTPUTS)
#define OUT_INDEX(P) ((P).out_index)
#endif
#ifdef LEAN
#define WITH_DELTA_E false
#else
#define WITH_DELTA_E true
#endif
#define PRIMARY(flags) (((flags) >> PRIMARY_SHIFT) & 3)
#define EDGE(flags) (((flags) >> EDGE_SHIFT) & 3)
