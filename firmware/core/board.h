/* The board: everything that does not depend on the controller. One object, no allocation.

   The port calls hf_board_byte for what comes over the line, hf_board_frame at the start of every frame of 20 ms,
   hf_board_readings after every round of readings, hf_board_inputs about every millisecond, and hf_board_work
   whenever nothing else is to be done. None of them may interrupt another. */
#ifndef HF_BOARD_H
#define HF_BOARD_H
#include "frame.h"
#include "limits.h"
#include "path.h"
#include "port.h"

#define HF_READINGS 16
enum { HF_IN_SUPPLY = 12, HF_IN_LEFT, HF_IN_RIGHT, HF_IN_TOP };

#define HF_FIRMWARE_NAME "handfast"
enum { HF_MAJOR = 0, HF_MINOR = 1, HF_PATCH = 0 };

typedef enum { HF_STORE_NOTHING, HF_STORE_VOID, HF_STORE_HEAD, HF_STORE_KNOT, HF_STORE_VALID, HF_STORE_ERASE } hf_store_job;

typedef struct {
    uint16_t knots, mask, crc, ramp;
    uint8_t hold, repeats;
    uint32_t frames, stamp;
} hf_store_head;

typedef struct {
    hf_store_head head;
    bool valid;                 /* what is stored may be run */
    bool taking;                /* between begin and commit */
    uint16_t taken;             /* knots that came */
    uint16_t crc;               /* over them */
    hf_store_job job;
    uint16_t at, end;           /* bytes of the job */
    uint8_t buffer[HF_KNOT_BYTES];
    uint8_t of, what;           /* request to acknowledge */
    uint16_t before[HF_CHANNELS];
} hf_store;

typedef enum { HF_PLAY_IDLE, HF_PLAY_SETTLE, HF_PLAY_ATTACH, HF_PLAY_RUN, HF_PLAY_DONE } hf_play_phase;

typedef struct {
    hf_play_phase phase;
    bool by_host;
    bool was_pressed;
    bool released;              /* the pedal must be seen released before it can start anything */
    uint8_t channel;            /* being attached */
    uint8_t lap;
    uint16_t knot;              /* next to be put into the path */
    uint16_t played;
    uint32_t at_us;             /* board time at which the path fed so far ends */
    uint16_t frames_left;       /* from there to the knot, 0: not begun */
    uint32_t pedal_us;          /* since when the pedal is as it is */
    uint16_t before[HF_CHANNELS];
} hf_play;

typedef struct {
    uint16_t goal, first;       /* us/8 */
    uint16_t ramp;              /* us/8 per frame */
    uint8_t frames;             /* since the first pulse */
    uint8_t every, left, after; /* sparse pulses: one in how many frames, how many are left, frames since the last */
    uint16_t allowed, began;    /* counts/16 */
    uint16_t best;              /* smallest miss since it began to lie too far off, counts/16 */
    uint16_t late_ms;           /* how long it has not come nearer */
    uint8_t open_frames;        /* how long its wiper has been outside its window */
} hf_servo;

typedef struct {
    hf_receiver receiver;
    bool session;
    uint32_t nonce;
    uint8_t last_sequence, next_sequence;
    uint8_t checking;           /* limits whose check sum comes next */
    hf_msg_counters counters;

    hf_limits limits;
    uint8_t state, cause;
    uint8_t reset_flags;
    bool relay, permission, pedal, stop_open, line_broken, streaming;
    uint32_t heartbeat_us, state_us;

    uint32_t frame_us;          /* start of the frame that is under way */
    uint16_t command[HF_CHANNELS];       /* where each channel is commanded in this frame, us/8 */
    uint16_t next[HF_CHANNELS];          /* and in the next one */
    uint16_t given[HF_CHANNELS];         /* pulses of this frame, 0: none */
    uint16_t next_given[HF_CHANNELS];
    uint8_t channel[HF_CHANNELS];        /* channel states */
    hf_servo servo[HF_CHANNELS];

    hf_path path;
    uint32_t path_us, next_path_us;      /* time along the path, which stands still when the arms do */
    uint16_t rate, next_rate;            /* how fast it goes, 256: as board time */
    uint16_t rate_step;                  /* taken off per frame; 0: not slowing down */

    uint16_t reading[HF_READINGS];       /* counts/16, latest round */
    uint16_t half[HF_READINGS];          /* the first round of this frame */
    uint16_t wiper[HF_CHANNELS];         /* mean of a frame */
    uint16_t supply_mV, current_mA[2];
    uint8_t low_frames;
    uint8_t worst;
    int16_t worst_error;

    uint32_t steady_us;                  /* since when the readings are steady */
    uint16_t steady[HF_CHANNELS + 1];    /* and where */

    uint8_t lamp;
    uint8_t cue;
    uint32_t cue_us;

    hf_store store;
    hf_play play;
} hf_board;

/* `reset_flags` as in the message `identity`. Reads the store. */
void hf_board_start(hf_board *b, uint8_t reset_flags);
/* One byte from the line; for a 00, `heard_us` is when it came. */
void hf_board_byte(hf_board *b, uint8_t byte, uint32_t heard_us);
void hf_board_line_error(hf_board *b);
/* The line is being held low (true), or has been let go (false). */
void hf_board_break(hf_board *b, bool low);
/* The start of a frame: the pulses planned last are being given from now on. `missed`: frames that went by unseen. */
void hf_board_frame(hf_board *b, uint32_t frame_us, uint8_t missed);
/* A round of readings, counts/16. Rounds 0 and 1 of each frame; `middle_us` is the middle of its time. */
void hf_board_readings(hf_board *b, uint8_t round, const uint16_t *counts16, uint32_t middle_us);
/* Pedal and stop input, free of bounce. */
void hf_board_inputs(hf_board *b, bool pedal, bool stop_open);
void hf_board_work(hf_board *b);

/* Between the files of the core. */
void hf_board_command(hf_board *b, const hf_frame *frame, uint32_t heard_us);
void hf_send(hf_board *b, uint8_t type, uint8_t *body, uint8_t length);
void hf_send_event(hf_board *b, uint8_t kind, uint8_t where, uint16_t value);
void hf_send_ack(hf_board *b, uint8_t of, uint8_t what);
void hf_send_nack(hf_board *b, uint8_t of, uint8_t what, uint8_t reason, uint8_t where, uint32_t excess);
void hf_send_status(hf_board *b);
void hf_count(uint16_t *counter);
void hf_enter(hf_board *b, uint8_t state, uint8_t cause);
/* Stops as the bench says, or at once; nothing if the relay is off. */
void hf_stop(hf_board *b, uint8_t cause, bool at_once);
void hf_cut(hf_board *b, uint8_t state, uint8_t cause);
void hf_power_on(hf_board *b, uint8_t state);
/* Plans the next frame anew. */
void hf_plan(hf_board *b);
/* Lets the arms slow down within `frames`, and then hold. */
void hf_slow_down(hf_board *b, uint16_t frames);
/* Reasons of the message nack, 0 if it was done. */
uint8_t hf_attach_channel(hf_board *b, uint8_t channel, uint16_t goal, uint16_t ramp, uint16_t *excess);
uint8_t hf_add_target(hf_board *b, uint32_t at_us, const uint16_t *pulse, uint8_t *where, uint32_t *excess);
bool hf_any_channel(const hf_board *b, uint8_t channel_state);
/* The supply has just been switched on. */
bool hf_settling(const hf_board *b);
bool hf_settled(hf_board *b);
void hf_watch(hf_board *b);
void hf_cues_start(hf_board *b, uint8_t cue);
void hf_cues_work(hf_board *b, uint32_t now);

void hf_store_start(hf_board *b);
void hf_store_work(hf_board *b);
uint8_t hf_store_begin(hf_board *b, const hf_msg_store_begin *m, uint8_t *where, uint32_t *excess);
uint8_t hf_store_knot(hf_board *b, const hf_msg_store_knot *m, uint8_t *where, uint32_t *excess);
uint8_t hf_store_commit(hf_board *b, uint32_t *excess);
uint8_t hf_store_erase(hf_board *b);
/* Reads knot i of the stored routine. */
void hf_store_read_knot(uint16_t i, hf_msg_store_knot *knot);
/* Takes the limits that the routine was stored with; false if they no longer fit their check. */
bool hf_store_read_limits(hf_board *b);

/* Starts the stored routine; a reason, or 0. */
uint8_t hf_play_start(hf_board *b, bool by_host);
void hf_play_work(hf_board *b);
#endif
